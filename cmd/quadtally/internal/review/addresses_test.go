package review

import (
	"net"
	"strings"
	"testing"
)

func TestLocalAddress(t *testing.T) {
	for _, c := range []struct {
		have []string
		want string
		says string
	}{
		{[]string{"127.0.0.1/8", "::1/128", "192.168.1.20/24", "fe80::1/64"}, "192.168.1.20", ""},
		{[]string{"127.0.0.1/8", "172.31.255.1/12"}, "172.31.255.1", ""},
		{[]string{"127.0.0.1/8", "172.32.0.1/12", "8.8.8.8/8", "169.254.3.4/16", "fd00::1/8"}, "", "no local network"},
		{nil, "", "no local network"},
		{[]string{"10.0.0.3/8", "192.168.7.1/24"}, "", "10.0.0.3, 192.168.7.1"},
	} {
		var list []net.Addr
		for _, a := range c.have {
			ip, n, err := net.ParseCIDR(a)
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, &net.IPNet{IP: ip, Mask: n.Mask})
		}
		got, err := LocalAddress(list)
		if got != c.want || (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: %q %v", c.have, got, err)
		}
	}
}

// TestOptionsThatNobodyCouldReach are refused, and the notes say who can.
func TestOptionsThatNobodyCouldReach(t *testing.T) {
	for _, c := range []struct {
		o    Options
		says string
	}{
		{Options{}, ""}, {Options{Port: 65535, Phone: "192.168.1.20", Encrypt: true}, ""},
		{Options{Port: -1}, "--port"}, {Options{Port: 65536}, "--port"}, {Options{Encrypt: true}, "--encrypt"},
		{Options{Open: "0.0.0.0"}, "--open-to-network"}, {Options{Phone: "::"}, "--phone"},
		{Options{Open: "0.0.0.0", Phone: "::"}, "--open-to-network"}, // the same one each time
	} {
		if err := c.o.Validate(); (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v", c.o, err)
		}
	}
	for _, c := range []struct {
		at       Addresses
		o        Options
		readOnly bool
		want     []string
	}{
		{Addresses{}, Options{}, false, []string{"Ctrl-C"}},
		{Addresses{}, Options{Open: "10.0.0.3"}, true, []string{"stores nothing", "see and change", "Ctrl-C"}},
		{Addresses{Phone: "http://p"}, Options{}, false, []string{"scan the code", "not encrypted", "Ctrl-C"}},
		{Addresses{Phone: "https://p", Fingerprint: "AB CD"}, Options{}, false, []string{"scan the code", "AB CD", "Ctrl-C"}},
	} {
		got := c.at.Notes(c.o, c.readOnly)
		if len(got) != len(c.want) {
			t.Errorf("%+v: %q", c.at, got)
			continue
		}
		for i, w := range c.want {
			if !strings.Contains(got[i], w) {
				t.Errorf("%+v: %q lacks %q", c.at, got[i], w)
			}
		}
	}
}
