package commissioning

import _ "embed" // the page

//go:embed CAUTIONS.md
var cautions string

// Cautions is the page of what this program does not do for the builder of a seat, in Markdown. Its short form, for the
// moment before a seat moves, is terminal.Cautions.
func Cautions() string { return cautions }
