package demo_test

import (
	"testing"

	"perch/adapters/demo"
	"perch/conformance"
)

func TestConforms(t *testing.T) {
	a := demo.Adapter()
	conformance.Run(t, conformance.Settings{Adapter: &a})
}
