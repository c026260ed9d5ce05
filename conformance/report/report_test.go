package report

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func found(o Outcome) func(context.Context, int) (Finding, error) {
	return func(context.Context, int) (Finding, error) {
		return Finding{Outcome: o, Measured: "1", Expected: "2"}, nil
	}
}

// TestVerdicts: one failure decides, nothing checked is no judgement, and only what was promised makes it conform in part.
func TestVerdicts(t *testing.T) {
	outside := func(context.Context, int) (Finding, error) {
		return Finding{Outcome: NotCheckable, Needs: "a hand", Unclaimed: true}, nil
	}
	missing := func(context.Context, int) (Finding, error) { return Finding{}, Missing("a turn of %d deg/s", 20) }
	broken := func(context.Context, int) (Finding, error) { return Finding{}, errors.New("the port has gone") }
	type runs = []func(context.Context, int) (Finding, error)
	for _, c := range []struct {
		name string
		runs runs
		want Verdict
		code int
	}{
		{"all pass", runs{found(Pass), found(Pass)}, Conforms, 0},
		{"a warning", runs{found(Pass), found(Warn)}, Conforms, 0},
		{"not promised", runs{found(Pass), outside}, Conforms, 0},
		{"promised and not checkable", runs{found(Pass), missing}, ConformsInPart, 0},
		{"a failure", runs{found(Pass), found(Fail), missing}, DoesNot, 1},
		{"a failure, then the port goes", runs{found(Fail), broken}, DoesNot, 1},
		{"the port goes", runs{found(Pass), broken, found(Pass)}, CouldNotJudge, 2},
		{"nothing could be checked", runs{missing, outside}, CouldNotJudge, 2},
		{"no check", nil, CouldNotJudge, 2},
	} {
		var checks []Check[int]
		for _, f := range c.runs {
			checks = append(checks, Check[int]{ID: "id", Title: "title", Run: f})
		}
		told := 0
		r := Run(context.Background(), 0, checks, func(Result) { told++ })
		if r.Verdict != c.want || r.Verdict.ExitCode() != c.code || told != len(checks) || len(r.Checks) != len(checks) {
			t.Errorf("%s: %s, exit %d, told %d", c.name, r.Verdict, r.Verdict.ExitCode(), told)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if r := Run(ctx, 0, []Check[int]{{ID: "id", Run: found(Pass)}}, nil); r.Verdict != CouldNotJudge || r.Problem != "interrupted" {
		t.Errorf("interrupted: %s, %q", r.Verdict, r.Problem)
	}
}

// TestJSON holds the keys that scripts read.
func TestJSON(t *testing.T) {
	r := Report{Verdict: DoesNot, Checks: []Result{
		{"a", "A", Finding{Outcome: Pass, Measured: "1 m", Unclaimed: true}},
		{"b", "B", Finding{Outcome: Fail, Measured: "2", Expected: "1", Diagnosis: &Diagnosis{Signal: "position", Component: "axis 1", Kind: "sign", Detail: "mirrored", Scale: -1,
			Matrix: []float64{1, 0, 0, 0, 1, 0, 0, 0, 1}, Alternatives: []Diagnosis{{Signal: "clock"}}}}},
	}}
	got, err := json.Marshal(&r)
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"verdict":"does_not","checks":[{"id":"a","title":"A","verdict":"pass","measured":"1 m","expected":"","needs":""},` +
		`{"id":"b","title":"B","verdict":"fail","measured":"2","expected":"1","needs":"","diagnosis":{"signal":"position","component":"axis 1","kind":"sign",` +
		`"detail":"mirrored","scale":-1,"matrix":[1,0,0,0,1,0,0,0,1],"alternatives":[{"signal":"clock"}]}}]}`
	if d := cmp.Diff(want, string(got)); d != "" {
		t.Error(d)
	}
}

// TestWrite is short when all is well, and tells what is wrong otherwise.
func TestWrite(t *testing.T) {
	good := Report{Verdict: Conforms, Subject: "it", Checks: []Result{{"a", "A", Finding{Outcome: Pass}}, {"p", "P", Finding{Outcome: NotCheckable, Unclaimed: true}}}}
	var b bytes.Buffer
	if err := good.Write(&b, ""); err != nil || strings.Count(b.String(), "\n") != 2 {
		t.Errorf("%v: %q", err, b.String())
	}
	bad := Report{Verdict: DoesNot, Subject: "it", Checks: []Result{
		{"a", "A", Finding{Outcome: Pass}},
		{"b", "B is so", Finding{Outcome: Fail, Measured: "2", Expected: "1", Diagnosis: &Diagnosis{Signal: "position", Kind: "sign", Detail: "mirrored"}}},
		{"c", "C", Finding{Outcome: NotCheckable, Needs: "b"}}, {"d", "D", Finding{Outcome: NotCheckable, Needs: "b"}},
	}}
	b.Reset()
	const want = `FAIL  b: B is so
      measured  2
      expected  1
      diagnosis position, sign: mirrored
      more      explain b

not checkable  c, d
      needs     b

it does not conform (1 passed, 1 failed, 2 not checkable)
`
	if err := bad.Write(&b, "explain"); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, b.String()); d != "" {
		t.Error(d)
	}
}

func TestChoose(t *testing.T) {
	checks := []Check[int]{{ID: "a"}, {ID: "b"}, {ID: "c"}}
	got, err := Choose(checks, []string{"c", "a"})
	if err != nil || len(got) != 2 || got[0].ID != "a" || got[1].ID != "c" {
		t.Errorf("%v %v", got, err)
	}
	if _, err := Choose(checks, []string{"x"}); err == nil || !strings.Contains(err.Error(), "a, b, c") {
		t.Errorf("%v", err)
	}
}
