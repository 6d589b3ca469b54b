package main

import (
	"fmt"
	"net"

	"github.com/spf13/cobra"

	"quadtally/cmd/quadtally/internal/print"
	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/reviewdata"
)

func reviewCommand(a *app) *cobra.Command {
	var opt review.Options
	var lan bool
	c := &cobra.Command{
		Use: "review",
		RunE: func(cmd *cobra.Command, args []string) error {
			if lan {
				if opt.Phone != "" {
					return usagef("--lan finds the address by itself: leave it out, or --phone")
				}
				addresses, err := net.InterfaceAddrs()
				if err != nil {
					return fmt.Errorf("the addresses of this computer cannot be read: name one with --phone ADDRESS (%w)", err)
				}
				if opt.Phone, err = review.LocalAddress(addresses); err != nil {
					return typed(err)
				}
			}
			if err := opt.Validate(); err != nil {
				return typed(err)
			}
			return a.withTrial(writingWhereItCan, func(store *record.Store, snap *record.Snapshot) error { return a.review(store, snap, opt) })
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

func (a *app) review(store *record.Store, snap *record.Snapshot, opt review.Options) error {
	if err := visitOf(snap, opt.Visit); err != nil {
		return err
	}
	backend := reviewdata.New(a.ctx, store, a.author())
	if opt.Phone != "" && !store.ReadOnly() {
		opt.Door, opt.Certificate = backend.Door(), backend.Certificate()
	}
	return review.Serve(a.ctx, backend, backend, opt, func(at review.Addresses) {
		fmt.Fprintln(a.out, at.Page)
		if at.Phone != "" {
			fmt.Fprintln(a.out, at.Phone)
		}
		a.flush()
		backend.Keep(at, opt)
		if at.Phone != "" {
			if code, err := print.TerminalCode(at.Phone); err == nil {
				fmt.Fprint(a.err, code)
			}
		}
		a.notes("", at.Notes(opt, store.ReadOnly())...)
	})
}
