package review

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"fmt"
	"math/big"
	"net"
	"strconv"
	"strings"
	"time"
)

// servePhone opens the second door, for a phone: another port, a key of its
// own, and only the routes of the field behind it.
func (s *Server) servePhone(opt Options, at *Addresses) (served, error) {
	l, err := listen(opt.Phone, opt.Door.Port)
	if err != nil && opt.Door.Port != 0 {
		l, err = listen(opt.Phone, 0)
	}
	if err != nil {
		return served{}, err
	}
	_, port, _ := net.SplitHostPort(l.Addr().String())
	key, scheme := opt.Door.Key, "http"
	at.Door = *opt.Door
	at.Door.Port, _ = strconv.Atoi(port)
	srv := newHTTP(s.guard(s.fieldHandler(), hostsFor(l.Addr(), opt.Phone), key))
	if opt.Encrypt {
		cert, err := ownCertificate(opt.Phone, time.Now())
		if err != nil {
			l.Close()
			return served{}, fmt.Errorf("no certificate could be made for the phone: leave --encrypt away (%w)", err)
		}
		at.Fingerprint = fingerprint(cert)
		l = tls.NewListener(l, &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12})
		scheme = "https"
	}
	at.Phone = scheme + "://" + net.JoinHostPort(opt.Phone, port) + "/?key=" + key
	return served{srv, l}, nil
}

// ownCertificate is made anew for every session and kept nowhere.
func ownCertificate(host string, now time.Time) (tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return tls.Certificate{}, err
	}
	t := x509.Certificate{
		SerialNumber: big.NewInt(now.UnixNano()), Subject: pkix.Name{CommonName: "quadtally on this laptop"},
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(48 * time.Hour),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
	}
	if ip := net.ParseIP(host); ip != nil {
		t.IPAddresses = []net.IP{ip}
	} else {
		t.DNSNames = []string{host}
	}
	der, err := x509.CreateCertificate(rand.Reader, &t, &t, &key.PublicKey, key)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, err
}

func fingerprint(c tls.Certificate) string {
	var parts []string
	for _, b := range sha256.Sum256(c.Certificate[0]) {
		parts = append(parts, fmt.Sprintf("%02X", b))
	}
	return strings.Join(parts, ":")
}
