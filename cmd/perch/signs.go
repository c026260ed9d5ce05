package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/host/config"
	"perch/host/plugin"
	"perch/host/ride"
	"perch/host/signs"
	"perch/host/terminal"
	"perch/sdk"
	"perch/sdk/recording"
	"perch/sdk/vehicle"
)

type signsOptions struct {
	config string
	source string
	sets   []string
	way    string
	keep   string
	record string
	wait   time.Duration
	json   bool
}

func signsCommand() *cobra.Command {
	var o signsOptions
	c := &cobra.Command{
		Use:   "signs --source NAME|PATH",
		Short: "Check by eye that a source turns the way its vehicle does",
		Long: `Say one motion at a time (roll it right, nose up, turn right, speed up), wait until the reading moves, and ask whether the
drawn vehicle did what the real one did: a model in your hand, or one that you watch. No seat is opened.

It is what no program can see: a world that is mirrored as a whole agrees with itself. The answer is kept for this source, this
version of its adapter and those of its settings that change what it means. Until it is confirmed, perch run has the
source ride a real seat at 25 % of intensity at most, and one that was seen to be wrong not at all.

Without a terminal the answers are read as lines: yes, opposite, other, again or skip.

Exit codes: 0 every motion agrees; 1 one does not, or was not shown; 2 refused.`,
		Example: `  perch signs --source mavlink --set port=/dev/ttyUSB0
  perch signs --source ./my-adapter --record tilted.rec
  perch signs --config ride.toml --source telemetry
  perch conform --states tilted.rec`,
		Args: arguments(0, "no argument; name the source with --source"),
		RunE: func(c *cobra.Command, _ []string) error {
			ctx, stop := interrupted(c.Context())
			defer stop()
			return checkSigns(ctx, c.InOrStdin(), c.OutOrStdout(), o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.source, "source", "", "an adapter by `NAME|PATH`, or a source of --config by its name (default: its live one)")
	f.StringArrayVar(&o.sets, "set", nil, "a setting of the adapter, `KEY=VALUE` (repeatable)")
	f.StringVar(&o.config, "config", "", "a configuration `FILE` (TOML)")
	f.StringVar(&o.way, "way", "", "how it is moved, `hand|screen`: held in the hand, or driven or flown and watched (default: it asks)")
	f.StringVar(&o.keep, "keep", "", "keep the answers in this `FILE` (default: in your folder for state); perch run takes it with --signs")
	f.StringVar(&o.record, "record", "", "record the states seen to this `FILE`; one that ends in .csv is the states table")
	f.DurationVar(&o.wait, "wait", time.Minute, "without a terminal: how long to wait for a motion")
	f.BoolVar(&o.json, "json", false, "the outcome as one JSON object; questions go to standard error")
	return c
}

// signsBook reads the book of a file, or of the user where none is named.
func signsBook(path string) (signs.Book, error) {
	if path == "" {
		var err error
		if path, err = signs.Path(); err != nil {
			return signs.Book{}, nil //nolint:nilerr // no folder for state, nothing kept in it
		}
	}
	return signs.Load(path)
}

// howToCheck is what a person types to check the signs of a source of a ride.
func howToCheck(o runOptions, s config.Source) string {
	command := []string{"perch", "signs"}
	switch {
	case o.config != "" && len(o.sources) == 0:
		command = append(command, "--config", o.config, "--source", s.Name)
	case s.Adapter != "":
		command = append(command, "--source", s.Adapter)
	default:
		command = append(command, "--source", s.Command[0])
	}
	for _, set := range o.sets {
		name, rest, dotted := strings.Cut(set, ".")
		key, _, _ := strings.Cut(set, "=")
		switch dotted = dotted && len(name) < len(key); { // SOURCE.KEY=VALUE
		case !dotted || command[2] == "--config":
			command = append(command, "--set", set)
		case name == s.Name:
			command = append(command, "--set", rest)
		}
	}
	if o.signs != "" {
		command = append(command, "--keep", o.signs)
	}
	return strings.Join(command, " ")
}

// signsJSON is what --json prints.
type signsJSON struct {
	signs.Record
	Kept string `json:"kept"` // the file
}

func checkSigns(ctx context.Context, in io.Reader, out io.Writer, o signsOptions) (err error) {
	from, class, err := signsSource(o)
	if err != nil {
		return refuse(err)
	}
	way := signs.Way(o.way)
	if o.way != "" && way != signs.InHand && way != signs.OnScreen {
		return refuse(fmt.Errorf("--way %s: is neither hand nor screen; use one of them", o.way))
	}
	keep := o.keep
	if keep == "" {
		if keep, err = signs.Path(); err != nil {
			return refuse(err)
		}
	}
	book, err := signs.Load(keep)
	if err != nil {
		return refuse(fmt.Errorf("--keep: %w", err))
	}
	talk := out
	if o.json {
		talk = os.Stderr
	}
	person, closePerson := newPerson(in, talk, o.wait)
	defer closePerson()
	seen, err := newSightings(o.record, from.Name)
	if err != nil {
		return refuse(err)
	}
	defer func() { err = errors.Join(err, seen.close()) }()

	p := from.Program
	p.Name = from.Name
	source, err := plugin.Start(ctx, p, from.Settings, plugin.Options{
		Log:  slog.New(lineHandler{tell: func(_ slog.Level, line string) { seen.tell(line) }}),
		Sink: seen.take, Notify: func(e plugin.Event) { seen.tell(e.Text) },
	})
	if err != nil {
		return refuse(err)
	}
	defer func() {
		stopping, cancel := context.WithTimeout(context.Background(), 6*time.Second)
		defer cancel()
		err = errors.Join(err, source.Stop(stopping))
	}()
	check := &signCheck{ctx: ctx, person: person, seen: seen, way: way, class: class}
	d := source.Status().Description
	results, err := check.run(d)
	if err != nil {
		return err
	}
	r := signs.Record{
		Identity: signs.IdentityOf(from.Name, d, from.Settings), Date: time.Now().UTC().Truncate(time.Second), Way: check.way, Class: check.class,
		Standing: signs.Whole(results), Results: results, Mend: signs.Mend(signsName(o, from), d, results),
	}
	if err := book.With(r).Save(keep); err != nil {
		return err
	}
	for _, line := range summary(r, keep) {
		person.say(line)
	}
	if o.json {
		e := json.NewEncoder(out)
		e.SetEscapeHTML(false)
		if err := e.Encode(signsJSON{r, keep}); err != nil {
			return err
		}
	}
	if r.Standing != signs.Confirmed {
		return unconfirmed{}
	}
	return nil
}

// signsName is what the person calls the source on the command line.
func signsName(o signsOptions, from ride.Source) string {
	if o.source != "" {
		return o.source
	}
	return from.Name
}

// unconfirmed ends the program with exit code 1 after everything has been said.
type unconfirmed struct{}

// Error is said nowhere.
func (unconfirmed) Error() string { return "the signs are not confirmed" }

// signsSource is the source to check, and the vehicle class of its profile.
func signsSource(o signsOptions) (ride.Source, string, error) {
	ro := runOptions{config: o.config, sets: o.sets}
	var chosen string
	switch {
	case o.config != "":
		c, err := config.Load(o.config)
		if err != nil {
			return ride.Source{}, "", err
		}
		if chosen = o.source; chosen == "" {
			chosen = c.Live
		}
		if !slices.ContainsFunc(c.Sources, func(s config.Source) bool { return s.Name == chosen }) {
			ro.sources = []string{chosen}
		}
	case o.source == "":
		return ride.Source{}, "", errors.New("--source: is missing; name the adapter to check, or a --config file; perch adapters lists those built in")
	default:
		ro.sources = []string{o.source}
	}
	c, err := configured(ro)
	if err != nil {
		return ride.Source{}, "", err
	}
	all, err := sources(c, filepath.Dir(o.config))
	if err != nil {
		return ride.Source{}, "", err
	}
	class := ""
	if o.config != "" {
		class = c.Profile.Class
	}
	for _, s := range all {
		if s.Name == chosen {
			return s, class, nil
		}
	}
	return all[0], class, nil
}

// signCheck asks for one motion after the other.
type signCheck struct {
	ctx    context.Context
	person person
	seen   *sightings
	way    signs.Way
	class  string
	last   *signs.Tracker // of the motion before
}

// lookTime is how long a source is looked at before anything is asked, to see what it gives.
const lookTime = 2 * time.Second

func (c *signCheck) run(d sdk.Description) ([]signs.Result, error) {
	if c.way == "" {
		a, err := c.person.ask(c.ctx, "Is the model in your hand, or do you watch it drive or fly? [hand or screen] ", "hand", "screen")
		if err != nil {
			return nil, err
		}
		c.way = signs.Way(a)
	}
	var since time.Time
	came, err := c.person.watch(c.ctx, "Waiting for the source.", 5*time.Second, func() terminal.Picture {
		return c.picture(nil, "Waiting for what the source gives.")
	}, func() bool {
		if n := c.seen.running(); n > 0 && since.IsZero() {
			since = time.Now()
		}
		return !since.IsZero() && time.Since(since) > lookTime
	})
	if err != nil {
		return nil, err
	}
	if !came {
		return nil, fmt.Errorf("source %s gives nothing: look at it with perch watch, and try again when it gives states", d.Name)
	}
	state := c.seen.state()
	if slices.Contains(config.Classes(), state.Class) {
		c.class = state.Class
	}
	motions := signs.Motions(c.way, c.class, state.Present)
	if len(motions) == 0 {
		return nil, refuse(fmt.Errorf("source %s gives no attitude, angular velocity, specific force or velocity: it has no signs that could be checked", d.Name))
	}
	c.person.say("The picture is the view forward out of the vehicle: right side down, and the ground rises on the right; nose up, and it sinks.")
	var results []signs.Result
	for i, m := range motions {
		c.person.say("")
		r, err := c.motion(m, fmt.Sprintf("%d of %d", i+1, len(motions)))
		if err != nil {
			return nil, err
		}
		c.person.say(verdictOf(r))
		results = append(results, r)
	}
	return results, nil
}

// motion asks for one motion until it is clear what became of it.
func (c *signCheck) motion(m signs.Motion, which string) (signs.Result, error) {
	last := c.last
	again := false // asked for once more, because the answer and the reading differ
	for {
		t := signs.NewTracker(m)
		if last != nil {
			t.After(last)
		}
		c.seen.follow(t)
		c.seen.event("asked for: " + string(m.Kind))
		seen, err := c.person.watch(c.ctx, fmt.Sprintf("%s: first %s; then %s.", which, m.Ready, m.Say), 0, func() terminal.Picture {
			todo := "First " + m.Ready + "."
			if c.seen.ready() {
				todo = "Now " + m.Say + "."
			}
			return c.picture(t, which, "", todo)
		}, c.seen.done)
		if err != nil {
			return signs.Result{}, err
		}
		readings, mixed := c.seen.readings(), c.seen.mixed()
		c.seen.follow(nil)
		last, c.last = nil, t // where it began the time before may have been the fault
		if !seen && mixed {
			c.person.say(severalAxes)
		}
		question := "Nothing moved as far as that. Did another axis of the drawn vehicle move? [other, again or skip] "
		answers := []string{"other", "again", "skip"}
		if seen {
			c.person.say("The reading: " + readingWords(readings) + ".")
			question = "Did the drawn vehicle do what the real one did? [yes, opposite, other (another axis), again, skip] "
			answers = []string{"yes", "opposite", "other", "again", "skip"}
		}
		said, err := c.person.ask(c.ctx, question, answers...)
		if err != nil {
			return signs.Result{}, err
		}
		answer := map[string]signs.Answer{"yes": signs.Same, "opposite": signs.Reversed, "other": signs.Another, "again": signs.NotIt, "skip": signs.CannotSay}[said]
		if answer == signs.NotIt {
			continue
		}
		r := signs.Conclude(m, readings, answer)
		if strange := r.Outcome == signs.Unclear || answer == signs.Same && r.Outcome != signs.Agrees; strange && !again {
			again = true
			c.person.say(strings.TrimPrefix(r.Why, "but ") + ". Perhaps it was moved the other way: once more.")
			continue
		}
		c.seen.event(fmt.Sprintf("%s: %s", m.Kind, r.Outcome))
		return r, nil
	}
}

const severalAxes = "It moves about several axes at once: turn it about one."

func readingWords(readings []signs.Reading) string {
	var out []string
	for _, r := range readings {
		out = append(out, string(r.Group)+" "+r.Words)
	}
	return strings.ReplaceAll(strings.Join(out, ", "), "_", " ")
}

func verdictOf(r signs.Result) string {
	line := r.Motion.Name() + ": " + strings.ReplaceAll(string(r.Outcome), "_", " ")
	if r.Why != "" {
		line += ": " + r.Why
	}
	return line
}

// picture is the drawn vehicle, with what to do beside it.
func (c *signCheck) picture(t *signs.Tracker, beside ...string) terminal.Picture {
	p := terminal.Picture{Beside: append([]string{}, beside...)}
	if t != nil {
		angles, derived, ok := c.seen.angles()
		p.Attitude, p.HasAttitude, p.Derived = terminal.Attitude{Roll: angles.X, Pitch: angles.Y, Yaw: angles.Z}, ok, derived
		if c.seen.mixed() {
			p.Beside = append(p.Beside, severalAxes)
		}
		for _, r := range c.seen.readings() {
			p.Beside = append(p.Beside, "", strings.ReplaceAll(string(r.Group), "_", " ")+":", "  "+r.Words)
		}
	}
	p.Beside = append(p.Beside, "", "Enter: it cannot be done, or nothing moves", c.seen.last())
	return p
}

// summary is the outcome to a person.
func summary(r signs.Record, keep string) []string {
	out := []string{"", r.Source + ": " + r.Standing.Words() + "."}
	for _, x := range r.Results {
		if x.Outcome == signs.NotShown || x.Outcome == signs.Unclear {
			out = append(out, "  not shown: "+x.Motion.Name())
		}
	}
	for _, m := range r.Mend {
		out = append(out, "  "+m)
	}
	switch r.Standing {
	case signs.Confirmed:
		out = append(out, "perch run has it move a real seat at the intensity that you choose.")
	case signs.Contradicted:
		out = append(out, "Until that is mended it does not move a real seat.")
	case signs.NotConfirmed:
		out = append(out, "Until the rest is shown it moves a real seat gently: at 25 % of intensity at most.")
	}
	return append(out, "Kept in "+keep+".")
}

// sightings take states from the adapter's reader and hand them to the tracker and to the recording.
type sightings struct {
	started time.Time
	files   []func() error

	mu      sync.Mutex
	joined  vehicle.State
	count   int
	tracker *signs.Tracker
	line    string
	table   *vehicle.CSVWriter
	to      *recording.Writer
	flushed time.Time
	err     error
}

// recordRate is the rate by which the ticks of a recording of states alone count time, Hz.
const recordRate = 500

func newSightings(path, name string) (*sightings, error) {
	s := &sightings{started: time.Now()}
	if path == "" {
		return s, nil
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, fmt.Errorf("--record: %w; name a file in a folder that exists", err)
	}
	if strings.EqualFold(filepath.Ext(path), ".csv") {
		buffered := bufio.NewWriter(f)
		s.table = vehicle.NewCSVWriter(buffered)
		s.files = []func() error{s.table.Flush, buffered.Flush, f.Close}
		return s, nil
	}
	s.to, err = recording.NewWriter(f, recording.Header{PerchVersion: version, Rate: recordRate, Started: s.started.UnixNano(), Sources: []string{name}})
	if err != nil {
		return nil, errors.Join(fmt.Errorf("--record: %w", err), f.Close())
	}
	s.files = []func() error{s.to.Flush, f.Close}
	return s, nil
}

func (s *sightings) tick() uint64 { return uint64(time.Since(s.started).Seconds() * recordRate) }

func (s *sightings) take(v *vehicle.State) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if v.Condition == vehicle.Running {
		join(&s.joined, v)
		s.count++
	}
	if s.tracker != nil {
		s.tracker.See(v)
	}
	switch {
	case s.err != nil:
	case s.table != nil:
		s.err = s.table.Write(v)
	case s.to != nil:
		if now := time.Now(); now.Sub(s.flushed) > time.Second { // a crash costs no more
			s.err, s.flushed = s.to.Flush(), now
		}
		s.err = errors.Join(s.err, s.to.WriteState(&recording.State{Tick: s.tick(), State: *v}))
	}
}

func (s *sightings) event(message string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.to != nil && s.err == nil {
		s.err = s.to.WriteEvent(&recording.Event{Tick: s.tick(), Level: slog.LevelInfo.String(), Message: message})
	}
}

func (s *sightings) close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.err
	for _, f := range s.files {
		err = errors.Join(err, f())
	}
	if err != nil {
		err = fmt.Errorf("--record: %w", err)
	}
	return err
}

func (s *sightings) tell(line string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.line = line
}

func (s *sightings) last() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.line
}

func (s *sightings) running() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.count
}

func (s *sightings) state() vehicle.State {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.joined
}

func (s *sightings) follow(t *signs.Tracker) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tracker = t
}

func (s *sightings) ready() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.tracker.Ready()
}

func (s *sightings) done() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.tracker.Done()
}

func (s *sightings) mixed() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.tracker.Mixed()
}

func (s *sightings) readings() []signs.Reading {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.tracker.Readings()
}

func (s *sightings) angles() (angles r3.Vec, derived, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.tracker.Angles()
}

// person is who moves the vehicle and answers.
type person interface {
	say(line string)
	// ask asks until one of the answers is given; the first letters are enough.
	ask(ctx context.Context, question string, answers ...string) (string, error)
	// watch shows what happens until done, or until the person gives up; one who answers in lines does so after the usual time
	// and some more.
	watch(ctx context.Context, instruction string, more time.Duration, picture func() terminal.Picture, done func() bool) (bool, error)
}

// newPerson is the person at the terminal, or one who answers in lines.
func newPerson(in io.Reader, out io.Writer, wait time.Duration) (person, func()) {
	if f, ok := in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		if d, err := terminal.NewDialogue(f, out); err == nil {
			return &atTerminal{d: d, drawn: isTerminal(out), size: terminal.Size(os.Stdout)}, func() { _ = d.Close() }
		}
	}
	p := &byLines{out: out, lines: make(chan string), wait: wait}
	go func() {
		defer close(p.lines)
		for s := bufio.NewScanner(in); s.Scan(); {
			p.lines <- strings.TrimSpace(s.Text())
		}
	}()
	return p, func() {}
}

// among finds the one answer that a word begins.
func among(word string, answers []string) (string, bool) {
	word = strings.ToLower(word)
	var found []string
	for _, a := range answers {
		if a == word {
			return a, true
		}
		if word != "" && strings.HasPrefix(a, word) {
			found = append(found, a)
		}
	}
	if len(found) != 1 {
		return "", false
	}
	return found[0], true
}

func wrongAnswer(answers []string) string {
	return "Type one of " + strings.Join(answers, ", ") + ", and Enter. Ctrl-C ends it, and nothing is kept."
}

// atTerminal is a person at a terminal.
type atTerminal struct {
	d     *terminal.Dialogue
	drawn bool
	size  func() (int, int)
}

func (a *atTerminal) say(line string) { a.d.Say(line) }

func (a *atTerminal) ask(ctx context.Context, question string, answers ...string) (string, error) {
	a.d.Forget()
	for {
		line, err := a.d.Line(ctx, question)
		if err != nil {
			return "", err
		}
		if answer, ok := among(line, answers); ok {
			return answer, nil
		}
		a.say(wrongAnswer(answers))
	}
}

func (a *atTerminal) watch(ctx context.Context, instruction string, _ time.Duration, picture func() terminal.Picture, done func() bool) (bool, error) {
	if !a.drawn {
		a.say(instruction + " [Enter: it cannot be done, or nothing moves]")
	}
	drawing := terminal.NewDrawing(a.d, a.size, os.Getenv("NO_COLOR") == "")
	var ended error
	var last time.Time
	gaveUp := false
	draw := func() {
		if a.drawn {
			drawing.Render(picture())
		}
	}
	err := a.d.Keys(ctx, func(k terminal.Key) {
		switch k.Kind {
		case terminal.Confirm:
			gaveUp = true
		case terminal.End:
			ended = terminal.ErrInterrupted
		}
	}, func() (bool, error) {
		over := done() || gaveUp
		if now := time.Now(); over || now.Sub(last) >= terminal.FrameTime {
			last = now
			draw()
		}
		return over, ended
	})
	if a.drawn {
		drawing.Close()
	}
	return err == nil && done(), err
}

// byLines is a person whose answers come as lines.
type byLines struct {
	out   io.Writer
	lines chan string
	wait  time.Duration
}

func (p *byLines) say(line string) { fmt.Fprintln(p.out, line) }

func (p *byLines) ask(ctx context.Context, question string, answers ...string) (string, error) {
	for {
		p.say(strings.TrimSpace(question))
		select {
		case <-ctx.Done():
			return "", terminal.ErrInterrupted
		case line, open := <-p.lines:
			if !open {
				return "", errors.New("the answers have ended before the questions; nothing is kept")
			}
			if answer, ok := among(line, answers); ok {
				return answer, nil
			}
			p.say(wrongAnswer(answers))
		}
	}
}

func (p *byLines) watch(ctx context.Context, instruction string, more time.Duration, _ func() terminal.Picture, done func() bool) (bool, error) {
	p.say(instruction)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(p.wait + more); !done(); {
		select {
		case <-ctx.Done():
			return false, terminal.ErrInterrupted
		case now := <-tick.C:
			if now.After(end) {
				return false, nil
			}
		}
	}
	return true, nil
}
