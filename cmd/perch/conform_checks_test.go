package main

import (
	"bytes"
	"flag"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the pages of the checks anew")

// TestPagesOfTheChecks: conformance/CHECKS.md holds what --explain says, of every suite; and each check says why it matters.
func TestPagesOfTheChecks(t *testing.T) {
	const file = "../../conformance/CHECKS.md"
	var got bytes.Buffer
	if err := writePages(&got, chapters()); err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile(file, got.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got.String()); d != "" {
		t.Errorf("conformance/CHECKS.md is stale; go test ./cmd/perch -run TestPagesOfTheChecks -update: %s", d)
	}
	for _, c := range chapters() {
		for _, p := range c.Pages {
			var b bytes.Buffer
			if err := explain(&b, p.ID, ""); err != nil || !strings.Contains(b.String(), p.Title) {
				t.Errorf("--explain %s: %v %s", p.ID, err, b.String())
			}
			if !strings.Contains(p.Doc, "Why it matters:") || !strings.Contains(p.Doc, "Usual mistake") {
				t.Errorf("%s: does not say why it matters and what authors usually get wrong", p.ID)
			}
		}
	}
}
