package sdk

import "embed"

// Sources are the files that an adapter's author needs of this package and of those beside it, so that `perch new` can
// write them next to a new adapter; tests among them are of no use there. The adapter in Python needs python alone.
//
//go:embed LICENSE *.go axes/*.go units/*.go vehicle/*.go transport/*.go mavlink/*.go python/perch_adapter/*.py python/perch_adapter/README.md
var Sources embed.FS
