package main

import (
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestRecordedStates judges flights of conformance/consistency, right and made wrong with a text editor's means.
func TestRecordedStates(t *testing.T) {
	flights, err := filepath.Abs("../../conformance/consistency/testdata")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata/states", RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("FLIGHTS", flights)
			return nil
		},
	})
}
