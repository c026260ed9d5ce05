package mavlink

import "embed"

// Plan is how this adapter is examined, with its captures: perch conform mavlink.
//
//go:embed plan.toml captures
var Plan embed.FS
