package demo

import "embed"

// Plan is how this adapter is examined: perch conform demo.
//
//go:embed plan.toml
var Plan embed.FS
