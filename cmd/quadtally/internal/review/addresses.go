package review

import (
	"errors"
	"fmt"
	"net"
	"strings"
)

// LocalAddress is the one private IPv4 address among those of this computer.
func LocalAddress(addresses []net.Addr) (string, error) {
	var found []string
	for _, a := range addresses {
		if n, ok := a.(*net.IPNet); ok && n.IP.To4() != nil && n.IP.IsPrivate() {
			found = append(found, n.IP.String())
		}
	}
	switch len(found) {
	case 0:
		return "", errors.New("--lan: this computer is in no local network: join the phone's, or let the phone join one that this computer opens, and try again")
	case 1:
		return found[0], nil
	}
	return "", fmt.Errorf("--lan: this computer has several local addresses, %s: name the one of the phone's network with --phone", strings.Join(found, ", "))
}

// Validate refuses options under which nobody would find the page.
func (o Options) Validate() error {
	if o.Port < 0 || o.Port > 65535 {
		return fmt.Errorf("--port %d: choose one from 1024 to 65535, or leave it out", o.Port)
	}
	for _, given := range [][2]string{{"open-to-network", o.Open}, {"phone", o.Phone}} {
		if ip := net.ParseIP(given[1]); ip != nil && ip.IsUnspecified() {
			return fmt.Errorf("--%s %s: give the one address under which the others reach this computer, such as 192.168.1.20", given[0], given[1])
		}
	}
	if o.Encrypt && o.Phone == "" {
		return errors.New("--encrypt goes with --lan or --phone")
	}
	return nil
}

// Notes say who can reach the page and how, a line each.
func (at Addresses) Notes(o Options, readOnly bool) []string {
	var out []string
	if at.Phone != "" {
		out = append(out, "scan the code with the phone, in the same network: whoever has that address can send photos and counts, and nothing else")
		if at.Fingerprint != "" {
			out = append(out, fmt.Sprintf("the phone will ask whether to trust this laptop: say yes where it shows the certificate %s; installed on the phone, as its page says, it is asked about no more", at.Fingerprint))
		} else {
			out = append(out, "what the phone sends is not encrypted: use a network you trust, or add --encrypt")
		}
	}
	if readOnly {
		out = append(out, "the folder cannot be written to: the page shows everything and stores nothing")
	}
	if o.Open != "" {
		out = append(out, "open to the network: whoever has this address can see and change the trial")
	}
	return append(out, "open the address in a browser; Ctrl-C ends the page")
}
