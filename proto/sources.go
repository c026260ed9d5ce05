package proto

import "embed"

// Sources are the adapter protocol and its generated code, so that `perch new` can write them next to a new adapter.
//
//go:embed adapter/v1/*.go adapter/v1/*.proto
var Sources embed.FS
