//go:build unix

package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"

	"perch/adapters/mavlink"
	"perch/host/config"
	"perch/host/signs"
)

// TestARealSeatAndSignsThatNobodyHasConfirmed: such a source is marked gentle; one that was seen to be wrong is refused.
func TestARealSeatAndSignsThatNobodyHasConfirmed(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	folder := filepath.Dir(b.file)
	log, ride, keep := filepath.Join(folder, "good.tlog"), filepath.Join(folder, "ride.toml"), filepath.Join(folder, "signs.json")
	if err := tilt(log, false); err != nil {
		t.Fatal(err)
	}
	text := "seat_file = \"seat.toml\"\n[sources.model]\nadapter = \"mavlink\"\n[sources.model.settings]\nfile = " + quoted(log) + "\n"
	if err := os.WriteFile(ride, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	r := start(t, "--config", ride, "--signs", keep)
	r.outside = true
	r.awaitEvent("source model: signs not confirmed: nobody has checked them; do perch signs --config " + ride + " --source model --keep " + keep + "; until then it rides gently, at 25 % of intensity at most")
	r.press("q")
	r.end(exitDone)
	gentle := false
	for _, s := range r.lines {
		gentle = gentle || s.Signs == signs.NotConfirmed && s.Gentle
	}
	if !gentle {
		t.Error("no line says that the source rides gently")
	}

	wrong := signs.Record{
		Identity: signs.IdentityOf("model", mavlink.Adapter().Description, nil), Standing: signs.Contradicted,
		Results: []signs.Result{{Motion: signs.RollRight, Outcome: signs.Opposite}}, Mend: []string{"attitude: roll has the wrong sign"},
	}
	if err := (signs.Book{}.With(wrong)).Save(keep); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("perch", "run", "--config", ride, "--signs", keep)
	if out, _ := cmd.CombinedOutput(); cmd.ProcessState.ExitCode() != exitRefused || !strings.Contains(string(out), "roll has the wrong sign; do perch signs --config "+ride+" --source model --keep "+keep+" once that is mended; it does not ride a real seat") {
		t.Errorf("a source that is wrong: %d\n%s", cmd.ProcessState.ExitCode(), out)
	}
}

func quoted(s string) string {
	text, _ := json.Marshal(s)
	return string(text)
}

// TestSignsAtATerminal draws the vehicle, takes keys, and keeps what was answered for the source of a file.
func TestSignsAtATerminal(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	ride := filepath.Join(folder, "ride.toml")
	if err := os.WriteFile(ride, []byte("[sources.invented]\nadapter = \"demo\"\n[sources.invented.settings]\nstart = \"39\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	near, far, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminal: %v", err)
	}
	defer func() { _ = near.Close() }()
	keep := filepath.Join(folder, "signs.json")
	cmd := exec.Command("perch", "signs", "--config", ride, "--keep", keep)
	cmd.Env = append(os.Environ(), "TERM=xterm")
	cmd.Stdin, cmd.Stdout, cmd.Stderr = far, far, far
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	_ = far.Close()
	var all, pending string
	// The next question is found behind the one before; a motion that does not come is given up with Enter.
	steps := []struct{ await, say string }{
		{"[hand or screen]", "scr\r"}, {"again, skip]", "yes\r"},
		{"Now lift its nose", "\r"}, {"again or skip]", "skip\r"}, {"Now turn right", "\r"}, {"skip]", "s\r"}, {"Now speed up", "\r"}, {"skip]", "skip\r"},
	}
	for buf := make([]byte, 4096); ; {
		n, err := near.Read(buf)
		all, pending = all+string(buf[:n]), pending+string(buf[:n])
		if len(steps) > 0 {
			if at := strings.Index(pending, steps[0].await); at >= 0 {
				pending = pending[at+len(steps[0].await):]
				_, _ = near.WriteString(steps[0].say)
				steps = steps[1:]
			}
		}
		if err != nil {
			break
		}
	}
	_ = cmd.Wait()
	book, err := signs.Load(keep)
	if err != nil || len(book.Records) != 1 || cmd.ProcessState.ExitCode() != exitFailed {
		t.Fatalf("%v, %v, exit %d\n%s", book, err, cmd.ProcessState.ExitCode(), all)
	}
	rec := book.Records[0]
	if rec.Source != "invented" || rec.Adapter != "demo" || rec.Standing != signs.NotConfirmed || rec.Class != "aeroplane" || rec.Way != signs.OnScreen || rec.Results[0].Outcome != signs.Agrees {
		t.Errorf("%+v\n%s", rec, all)
	}
	for _, want := range []string{"━━━━┓", "roll it right", "rolled right by", "roll right: agrees", "not shown: nose up"} {
		if !strings.Contains(all, want) {
			t.Errorf("the screen lacks %q:\n%s", want, all)
		}
	}
}

// TestHowToCheck: what a person is told to type names the source and the settings as they gave them.
func TestHowToCheck(t *testing.T) {
	for _, c := range []struct {
		o    runOptions
		s    config.Source
		want string
	}{
		{runOptions{}, config.Source{Name: "mavlink", Adapter: "mavlink"}, "perch signs --source mavlink"},
		{runOptions{sources: []string{"mavlink"}, sets: []string{"file=a.b=c.tlog"}}, config.Source{Name: "mavlink", Adapter: "mavlink"}, "perch signs --source mavlink --set file=a.b=c.tlog"},
		{runOptions{sources: []string{"mavlink", "./box"}, sets: []string{"mavlink.vehicle=7", "box.mount=left"}}, config.Source{Name: "box", Command: []string{"/home/box"}}, "perch signs --source /home/box --set mount=left"},
		{runOptions{config: "ride.toml", sets: []string{"model.vehicle=7"}, signs: "s.json"}, config.Source{Name: "model", Adapter: "mavlink"}, "perch signs --config ride.toml --source model --set model.vehicle=7 --keep s.json"},
	} {
		if got := howToCheck(c.o, c.s); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
