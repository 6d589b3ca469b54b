package main

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
		got, err := localAddress(list)
		if got != c.want || (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v: %q %v", c.have, got, err)
		}
	}
}
