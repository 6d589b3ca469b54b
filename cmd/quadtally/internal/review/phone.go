package review

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
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
	var der []byte
	if opt.Encrypt {
		cert, err := keptCertificate(opt.Certificate, opt.Phone, time.Now())
		if err != nil {
			l.Close()
			return served{}, fmt.Errorf("no certificate could be made for the phone: leave --encrypt out (%w)", err)
		}
		if at.Certificate, err = certificatePEM(cert); err != nil {
			l.Close()
			return served{}, err
		}
		der = cert.Certificate[0]
		at.Fingerprint = fingerprint(cert)
		l = tls.NewListener(l, &tls.Config{Certificates: []tls.Certificate{cert}, MinVersion: tls.VersionTLS12})
		scheme = "https"
	}
	srv := newHTTP(s.guard(s.fieldHandler(der, opt.Phone), hostsFor(l.Addr(), opt.Phone), key))
	at.Phone = scheme + "://" + net.JoinHostPort(opt.Phone, port) + "/?key=" + key
	return served{srv, l}, nil
}

// certificateLife is a season. Browsers refuse certificates that last much more
// than a year.
const certificateLife = 397 * 24 * time.Hour

// keptCertificate is the one of an earlier run, where it is for the same
// address and lasts for another week, so that a phone that trusts it goes on
// trusting; else a new one.
func keptCertificate(kept []byte, host string, now time.Time) (tls.Certificate, error) {
	if cert, err := tls.X509KeyPair(kept, kept); err == nil {
		leaf, err := x509.ParseCertificate(cert.Certificate[0])
		if err == nil && leaf.VerifyHostname(host) == nil && now.After(leaf.NotBefore) && now.Add(7*24*time.Hour).Before(leaf.NotAfter) {
			return cert, nil
		}
	}
	return ownCertificate(host, now)
}

// ownCertificate can be trusted by a phone for good: it is an authority, as
// phones ask of what one installs, and one that can vouch for this host alone.
func ownCertificate(host string, now time.Time) (tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return tls.Certificate{}, err
	}
	t := x509.Certificate{
		SerialNumber: big.NewInt(now.UnixNano()), Subject: pkix.Name{CommonName: "quadtally on this laptop, " + host},
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(certificateLife),
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true, IsCA: true, MaxPathLenZero: true, PermittedDNSDomainsCritical: true,
	}
	if ip := net.ParseIP(host); ip != nil {
		t.IPAddresses = []net.IP{ip}
		if four := ip.To4(); four != nil {
			ip = four
		}
		t.PermittedIPRanges = []*net.IPNet{{IP: ip, Mask: net.CIDRMask(8*len(ip), 8*len(ip))}}
		t.PermittedDNSDomains = []string{"none.invalid"} // no name at all
	} else {
		t.DNSNames = []string{host}
		t.PermittedDNSDomains = []string{host}
		t.PermittedIPRanges = []*net.IPNet{{IP: net.IPv4zero.To4(), Mask: net.CIDRMask(32, 32)}} // no address at all
	}
	der, err := x509.CreateCertificate(rand.Reader, &t, &t, &key.PublicKey, key)
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, err
}

// certificatePEM is a certificate with its key, as it is kept.
func certificatePEM(c tls.Certificate) ([]byte, error) {
	key, err := x509.MarshalPKCS8PrivateKey(c.PrivateKey)
	if err != nil {
		return nil, err
	}
	out := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: c.Certificate[0]})
	return append(out, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: key})...), nil
}

func fingerprint(c tls.Certificate) string {
	var parts []string
	for _, b := range sha256.Sum256(c.Certificate[0]) {
		parts = append(parts, fmt.Sprintf("%02X", b))
	}
	return strings.Join(parts, ":")
}
