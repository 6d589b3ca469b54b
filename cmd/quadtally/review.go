package main

import (
	"bytes"
	"fmt"
	"net"
	"strings"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/reviewdata"
)

func reviewCommand(a *app) *cobra.Command {
	var opt review.Options
	var lan bool
	c := &cobra.Command{
		Use:   "review",
		Short: "Look at the photos, correct them and count on them, in a browser",
		Long: `Opens a page in which the season's photos lie by visit and plot, each straightened
to its frame, with the green outlined. There you say where a photo belongs, set
it aside, move the frame's corners, leave regions out, mark a patch as weed,
crop, cover-crop regrowth or not a plant, set the threshold of a visit, and
count on a photo before its value is shown. Everything is kept with who did it
and when, and can be taken back.

The page answers this computer alone, works without the internet, and ends with
Ctrl-C. --phone ADDRESS opens a second door for a phone in the same network: it
prints a code to scan, and behind it one sends photos, hears at once whether to
take one again, and counts; nothing else of the trial can be seen or changed
there. --encrypt serves the phone encrypted, with a certificate kept for this trial:
its browser asks whether to trust it, and the printed fingerprint tells. --lan is
--phone with the address of this computer in its local network.
--open-to-network lets others see and change everything: whoever has that address
can, and what is sent is not encrypted. Use both only in a network you trust.

` + exitHelp,
		Example: `  quadtally review
  quadtally review --visit 2 --author Ada
  quadtally review --lan
  quadtally review --phone 192.168.1.20`,
		RunE: func(cmd *cobra.Command, args []string) error {
			if lan {
				if opt.Phone != "" {
					return usagef("--lan finds the address by itself: leave it or --phone away")
				}
				addresses, err := net.InterfaceAddrs()
				if err != nil {
					return fmt.Errorf("the addresses of this computer cannot be read: name one with --phone ADDRESS (%w)", err)
				}
				if opt.Phone, err = localAddress(addresses); err != nil {
					return err
				}
			}
			return a.review(opt)
		},
	}
	f := c.Flags()
	f.IntVar(&opt.Port, "port", 0, "port to listen on (default: a free one)")
	f.StringVar(&opt.Open, "open-to-network", "", "`ADDRESS` of this computer under which others in the network may open the page")
	f.StringVar(&opt.Phone, "phone", "", "`ADDRESS` of this computer under which a phone in the field may send photos and counts")
	f.BoolVar(&lan, "lan", false, "serve a phone under the address this computer has in its local network")
	f.BoolVar(&opt.Encrypt, "encrypt", false, "serve the phone encrypted")
	f.IntVar(&opt.Visit, "visit", 0, "visit shown first (default: all)")
	return c
}

// localAddress is the one private IPv4 address among those of this computer.
func localAddress(addresses []net.Addr) (string, error) {
	var found []string
	for _, a := range addresses {
		if n, ok := a.(*net.IPNet); ok && n.IP.To4() != nil && n.IP.IsPrivate() {
			found = append(found, n.IP.String())
		}
	}
	switch len(found) {
	case 0:
		return "", usagef("--lan: this computer is in no local network: join the phone's, or let the phone join one that this computer opens, and try again")
	case 1:
		return found[0], nil
	}
	return "", usagef("--lan: this computer has several local addresses, %s: name the one of the phone's network with --phone", strings.Join(found, ", "))
}

func (a *app) review(opt review.Options) error {
	if opt.Port < 0 || opt.Port > 65535 {
		return usagef("--port %d: choose one from 1024 to 65535, or leave it away", opt.Port)
	}
	for flag, address := range map[string]string{"open-to-network": opt.Open, "phone": opt.Phone} {
		if ip := net.ParseIP(address); ip != nil && ip.IsUnspecified() {
			return usagef("--%s %s: give the one address under which the others reach this computer, such as 192.168.1.20", flag, address)
		}
	}
	if opt.Encrypt && opt.Phone == "" {
		return usagef("--encrypt goes with --lan or --phone")
	}
	store, err := a.open()
	if err != nil {
		return err
	}
	defer store.Close()
	snap, err := store.Snapshot(a.ctx)
	if err != nil {
		return err
	}
	if opt.Visit < 0 || opt.Visit > len(snap.Trial.Visits) {
		return usagef("--visit %d: the plan has visits 1 to %d", opt.Visit, len(snap.Trial.Visits))
	}
	backend := reviewdata.New(a.ctx, store, a.author())
	if opt.Phone != "" && !store.ReadOnly() {
		opt.Door, opt.Certificate = backend.Door(), backend.Certificate()
	}
	had := opt.Door
	return review.Serve(a.ctx, backend, backend, opt, func(at review.Addresses) {
		fmt.Fprintln(a.out, at.Page)
		if at.Phone != "" {
			fmt.Fprintln(a.out, at.Phone)
			if !store.ReadOnly() && (had == nil || had.Port != at.Door.Port) {
				backend.KeepDoor(at.Door)
			}
			if !store.ReadOnly() && at.Certificate != nil && !bytes.Equal(at.Certificate, opt.Certificate) {
				backend.KeepCertificate(at.Certificate)
			}
		}
		a.flush()
		if at.Phone != "" {
			if code, err := print.TerminalCode(at.Phone); err == nil {
				fmt.Fprint(a.err, code)
			}
			a.note("scan the code with the phone, in the same network: whoever has that address can send photos and counts, and nothing else")
			if at.Fingerprint != "" {
				a.note("the phone will ask whether to trust this laptop: say yes where it shows the certificate %s; installed on the phone, as its page says, it is asked about no more", at.Fingerprint)
			} else {
				a.note("what the phone sends is not encrypted: use a network you trust, or add --encrypt")
			}
		}
		if store.ReadOnly() {
			a.note("the folder cannot be written to: the page shows everything and stores nothing")
		}
		if opt.Open != "" {
			a.note("open to the network: whoever has this address can see and change the trial")
		}
		a.note("open the address in a browser; Ctrl-C ends the page")
	})
}
