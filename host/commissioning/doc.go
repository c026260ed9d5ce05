// Package commissioning holds what brings a seat from built to ridden: how slow it moves until then, and what was
// proven on it.
package commissioning
