// Package proto holds the wire: the adapter protocol, the recording's records, and the seat link's page and codec.
//
// Generated Go stands beside each .proto file and is committed. released.binpb is the schema that adapters in the
// field were built against; a change that would break them is refused, and the file is renewed only with a release.
package proto

//go:generate go tool -modfile=../.tools/buf/go.mod buf generate
