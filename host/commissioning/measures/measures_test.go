package measures

import (
	"errors"
	"strings"
	"testing"

	"perch/host/config"
)

// ask answers the questions of some tables of the default seat.
func ask(t *testing.T, tables []string, answers ...string) (string, string, error) {
	t.Helper()
	var out strings.Builder
	got, err := New(strings.NewReader(strings.Join(answers, "\n")+"\n"), &out).Ask(config.DefaultSeatText(), config.DefaultSeat(), tables)
	return string(got), out.String(), err
}

func TestEnterKeepsEverything(t *testing.T) {
	got, said, err := ask(t, nil, make([]string, 60)...)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(config.DefaultSeatText()) {
		t.Error("a file whose answers are all Enter changed")
	}
	for _, w := range []string{"mechanism.crank_radius [100 mm]", "G in the drawing: from the crank's axis", "one of forward, backward", "Not in the file yet"} {
		if !strings.Contains(said, w) {
			t.Errorf("it does not say %q", w)
		}
	}
}

func TestRefusedAnswersSayWhy(t *testing.T) {
	_, said, err := ask(t, []string{"load"}, "75", "5000 kg", "", "-", "75 kg", "30 kg", "25 kg", "250 mm", "", "1 kg m2", "-", "", "")
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{
		`"75" has no unit`, "5000 kg is outside 1 kg to 1000 kg", "is needed; such as 10 kg", "cannot be left out",
		`"25 kg" is a mass, and a length is wanted`, "1 kg m2 is under 6.5625 kg m2",
	} {
		if !strings.Contains(said, w) {
			t.Errorf("it does not say %q:\n%s", w, said)
		}
	}
}

// TestWhatDoesNotGoTogetherIsAskedAgain: a rod that does not reach is right by itself.
func TestWhatDoesNotGoTogetherIsAskedAgain(t *testing.T) {
	mechanism := func(rod string) []string {
		return []string{"", "", "", "", "", "", "", rod, "", "", "", "", "", "", ""}
	}
	got, said, err := ask(t, []string{"mechanism"}, append(mechanism("450 mm"), mechanism("610 mm")...)...)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(said, "do not go together") || !strings.Contains(said, "rod_length [450 mm]") {
		t.Errorf("it says\n%s", said)
	}
	s, err := config.ParseSeat("seat.toml", []byte(got))
	if err != nil || s.Mechanism.TwoCrank.RodLength != 0.61 {
		t.Errorf("rod %g m, %v", s.Mechanism.TwoCrank.RodLength, err)
	}
	if _, _, err := ask(t, []string{"mechanism"}, mechanism("450 mm")...); !errors.Is(err, ErrEnded) {
		t.Errorf("measures that do not go together: %v", err)
	}
}
