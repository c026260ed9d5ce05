package sdk

import "github.com/hashicorp/go-plugin"

// ProtocolVersion is the version of the adapter protocol that this package speaks.
const ProtocolVersion = 1

// PluginName is the name under which go-plugin serves the adapter.
const PluginName = "adapter"

// Handshake tells a program started by a host from one started by hand. It is no secret.
func Handshake() plugin.HandshakeConfig {
	return plugin.HandshakeConfig{
		ProtocolVersion:  ProtocolVersion,
		MagicCookieKey:   "PERCH_ADAPTER",
		MagicCookieValue: "5c8a2e0b-started-by-a-perch-host",
	}
}
