package mechanism

import _ "embed" // the drawing

//go:embed drawing.svg
var drawing string

// Drawing is an SVG of the two-crank seat from the side and from above, that shows which length is which in
// TwoCrankSettings.
func Drawing() string { return drawing }
