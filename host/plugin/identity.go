package plugin

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"time"
)

// identity makes the certificate that the host shows to one child, and the text that the child verifies it with.
// It is on P-256: the TLS library in Python's gRPC wheels does not accept the P-521 of go-plugin's own.
func identity() (tls.Certificate, string, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return tls.Certificate{}, "", err
	}
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 127))
	if err != nil {
		return tls.Certificate{}, "", err
	}
	t := &x509.Certificate{
		Subject:               pkix.Name{CommonName: "localhost"},
		DNSNames:              []string{"localhost"},
		ExtKeyUsage:           []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth},
		KeyUsage:              x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
		BasicConstraintsValid: true,
		IsCA:                  true,
		SerialNumber:          serial,
		NotBefore:             time.Now().Add(-time.Hour), // a clock that was just set back
		NotAfter:              time.Now().AddDate(1, 0, 0),
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, key.Public(), key)
	if err != nil {
		return tls.Certificate{}, "", err
	}
	text := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, string(text), nil
}

// secure is the host's side of the connection. Until the child has shown its certificate in the handshake nothing
// is trusted; from then on exactly that certificate is, and none that it signed.
func secure(own tls.Certificate, child func() []byte) *tls.Config {
	return &tls.Config{
		Certificates: []tls.Certificate{own},
		ServerName:   "localhost",
		MinVersion:   tls.VersionTLS13,
		RootCAs:      x509.NewCertPool(),
		VerifyConnection: func(s tls.ConnectionState) error {
			want := child()
			if len(want) == 0 || len(s.PeerCertificates) == 0 || string(s.PeerCertificates[0].Raw) != string(want) {
				return errors.New("the certificate is not the one of the handshake")
			}
			return nil
		},
	}
}
