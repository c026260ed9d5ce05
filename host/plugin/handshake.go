package plugin

import (
	"crypto/x509"
	"encoding/base64"
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"perch/sdk"
)

// longestHandshake is far above what any key needs (RSA 4096: 1,900 bytes).
const longestHandshake = 16 << 10

// fault is what is wrong with a child and what to do about it.
type fault struct{ what, remedy string }

func (f *fault) Error() string {
	if f.remedy == "" {
		return f.what
	}
	return f.what + "; " + f.remedy
}

const remedyStdout = "an adapter prints its handshake first and alone, everything else goes to stderr"

// parseHandshake reads a child's first line, "1|version|network|address|grpc|certificate", and says precisely
// what is wrong with it. dir is the folder that the child was given for its socket.
func parseHandshake(line, dir string) (certificate []byte, f *fault) {
	parts := strings.Split(strings.TrimSpace(line), "|")
	if len(parts) < 4 {
		return nil, &fault{fmt.Sprintf("printed %q in place of its handshake", tidy(line, 100)), remedyStdout}
	}
	if parts[0] != "1" {
		return nil, &fault{fmt.Sprintf("its handshake is of plugin format %q, this host reads 1", tidy(parts[0], 20)), "build the adapter against this host's sdk"}
	}
	version, err := strconv.Atoi(parts[1])
	if err != nil {
		return nil, &fault{fmt.Sprintf("the protocol version in its handshake is %q, not a number", tidy(parts[1], 20)), remedyStdout}
	}
	if version != sdk.ProtocolVersion {
		which := "update the adapter"
		if version > sdk.ProtocolVersion {
			which = "update this host, or take an older version of the adapter"
		}
		return nil, &fault{fmt.Sprintf("it speaks adapter protocol %d, this host speaks %d", version, sdk.ProtocolVersion), which}
	}
	if err := checkAddress(parts[2], parts[3], dir); err != nil {
		return nil, err
	}
	if len(parts) < 5 || parts[4] != "grpc" {
		return nil, &fault{"its handshake does not offer grpc", "serve it with the sdk, or with a gRPC server"}
	}
	if len(parts) < 6 || parts[5] == "" {
		return nil, &fault{"its handshake has no certificate", "take the host's from PLUGIN_CLIENT_CERT, make an own one, and put it into field 6 (DER, base64 without padding)"}
	}
	if strings.HasSuffix(parts[5], "=") {
		return nil, &fault{"the certificate in its handshake is padded", "leave out the = at the end of the base64"}
	}
	der, err := base64.RawStdEncoding.DecodeString(parts[5])
	if err != nil {
		return nil, &fault{"the certificate in its handshake is no base64", "field 6 is the DER form in base64 without padding"}
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, &fault{"the certificate in its handshake cannot be read: " + tidy(err.Error(), 120), "field 6 is the DER form in base64 without padding"}
	}
	if err := cert.VerifyHostname("localhost"); err != nil {
		return nil, &fault{"the certificate in its handshake is not for localhost", "give it the subject alternative name DNS:localhost"}
	}
	return der, nil
}

// checkAddress lets a child listen only where it was told to: the host dials whatever passes here.
func checkAddress(network, address, dir string) *fault {
	bad := &fault{
		fmt.Sprintf("it listens on %s %s, where the host does not go", tidy(network, 20), tidy(address, 120)),
		"listen on a socket in the folder PLUGIN_UNIX_SOCKET_DIR, or on TCP 127.0.0.1",
	}
	switch network {
	case "unix":
		if filepath.Dir(filepath.Clean(address)) != filepath.Clean(dir) {
			return bad
		}
		if i, err := os.Lstat(address); err != nil || i.Mode().Type() != os.ModeSocket {
			return &fault{fmt.Sprintf("there is no socket at %s, which its handshake names", tidy(address, 120)), "listen first, then print the handshake"}
		}
	case "tcp":
		a, err := netip.ParseAddrPort(address)
		if err != nil || a.Addr() != netip.AddrFrom4([4]byte{127, 0, 0, 1}) || a.Port() == 0 {
			return bad
		}
	default:
		return bad
	}
	return nil
}
