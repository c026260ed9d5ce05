package conformance

import (
	"context"
	"fmt"
	"maps"
	"strconv"
	"strings"
	"time"

	"perch/conformance/feed"
	"perch/conformance/report"
	"perch/host/plugin"
	"perch/sdk"
)

func settingsChecks() []entry {
	return []entry{
		try("settings_right", "Settings that are right are accepted", `The settings of each feed of the plan, and each setting given as its own default, are found right by ValidateSettings.
Why it matters: what the description promises to an operator must work.
Usual mistakes: a setting that is checked by opening the source; a default that is not accepted when it is typed.`, func(ctx context.Context, s *Subject) (report.Finding, error) {
			return s.asked(ctx, func(ctx context.Context, session *plugin.Session) (report.Finding, error) {
				tried := 0
				for i := range s.settings.Plan.Feeds {
					src, err := s.feed(ctx, &s.settings.Plan.Feeds[i], paused)
					if err != nil {
						return report.Finding{}, err
					}
					defer src.Close()
					sets := []map[string]string{src.settings}
					for _, x := range s.description.Settings {
						if _, given := src.settings[x.Key]; !given && x.Default != "" {
							sets = append(sets, with(src.settings, x.Key, x.Default))
						}
					}
					for _, set := range sets {
						faults, _, err := session.Validate(ctx, set)
						if err != nil {
							return report.Finding{}, err
						}
						tried++
						if len(faults) > 0 {
							return fail(fmt.Sprintf("with %v it says: %v", set, faults[0]), "no fault in settings that are right"), nil
						}
					}
				}
				return pass("%d sets of settings are right", tried), nil
			})
		}),
		try("settings_wrong", "A setting that is wrong is refused, and named", `A number that is no number, a value outside of the bounds, a choice that is none: ValidateSettings names the key and says what would be right; a stream with
such settings ends with an error.
Why it matters: an operator who mistypes is told what to mend, and does not wonder why nothing comes.
Usual mistakes: the text is converted with a default in place of an error; the fault does not say which key it is about.`, func(ctx context.Context, s *Subject) (report.Finding, error) {
			return s.refuses(ctx, func(set map[string]string) (tries []attempt) {
				for _, x := range s.description.Settings {
					if x.Type != sdk.String {
						tries = append(tries, attempt{x.Key, with(set, x.Key, "no-such-value")})
					}
					for _, v := range beyond(x) {
						tries = append(tries, attempt{x.Key, with(set, x.Key, v)})
					}
				}
				return tries
			}, "a setting that can be wrong: all of its settings are texts")
		}),
		try("settings_unknown", "A setting that it does not know is refused, and named", `A key that the description does not list is refused by ValidateSettings, with the key.
Why it matters: a key that was mistyped and is ignored leaves the operator with a setting that does nothing.
Usual mistake: only the keys that are known are looked at.`, func(ctx context.Context, s *Subject) (report.Finding, error) {
			return s.refuses(ctx, func(set map[string]string) []attempt {
				const key = "no_such_setting"
				return []attempt{{key, with(set, key, "1")}}
			}, "")
		}),
		try("settings_required", "A setting that is missing is asked for", `Without a setting that the description calls required, ValidateSettings names it.
Why it matters: an operator learns what is missing before the ride, not from a source that stays silent.
Usual mistake: it is called required, and an empty text is used in its place.`, func(ctx context.Context, s *Subject) (report.Finding, error) {
			return s.refuses(ctx, func(set map[string]string) (tries []attempt) {
				for _, x := range s.description.Settings {
					if x.Required {
						less := maps.Clone(set)
						delete(less, x.Key)
						tries = append(tries, attempt{x.Key, less})
					}
				}
				return tries
			}, "a setting that is required")
		}),
	}
}

func paused(d *feed.Delivery) { d.Paused = true }

func with(set map[string]string, key, value string) map[string]string {
	set = maps.Clone(set)
	if set == nil {
		set = map[string]string{}
	}
	set[key] = value
	return set
}

// beyond are values just outside of a setting's bounds.
func beyond(x sdk.Setting) (out []string) {
	write := func(v float64) {
		switch x.Type {
		case sdk.Duration:
			out = append(out, strconv.FormatFloat(v, 'f', -1, 64)+"s")
		case sdk.Integer:
			out = append(out, strconv.FormatFloat(v, 'f', 0, 64))
		default:
			out = append(out, strconv.FormatFloat(v, 'g', -1, 64))
		}
	}
	if x.Minimum != nil {
		write(*x.Minimum - 1)
	}
	if x.Maximum != nil {
		write(*x.Maximum + 1)
	}
	return out
}

// attempt is a set of settings that is wrong, and the key that is.
type attempt struct {
	key      string
	settings map[string]string
}

// asked opens the adapter and asks it about settings.
func (s *Subject) asked(ctx context.Context, ask func(context.Context, *plugin.Session) (report.Finding, error)) (report.Finding, error) {
	if err := s.started(); err != nil {
		return report.Finding{}, err
	}
	session, err := s.open(ctx, nil)
	if err != nil {
		return report.Finding{}, err
	}
	f, err := ask(ctx, session)
	if _, _, e := session.Close(); err == nil {
		err = e
	}
	return f, err
}

// refuses wants each set of settings refused for its key, and a stream with the first of them ended.
func (s *Subject) refuses(ctx context.Context, attempts func(map[string]string) []attempt, none string) (report.Finding, error) {
	return s.asked(ctx, func(ctx context.Context, session *plugin.Session) (report.Finding, error) {
		src, err := s.feed(ctx, s.main(), paused)
		if err != nil {
			return report.Finding{}, err
		}
		defer src.Close()
		tries := attempts(src.settings)
		if len(tries) == 0 {
			return outside(none), nil
		}
		example := ""
		for _, a := range tries {
			faults, answers, err := session.Validate(ctx, a.settings)
			if err != nil {
				return report.Finding{}, err
			}
			if !answers {
				return warn("it does not answer ValidateSettings: only its description is asked", "an adapter that checks its settings itself"), nil
			}
			what := fmt.Sprintf("%s = %q", a.key, a.settings[a.key])
			if _, given := a.settings[a.key]; !given {
				what = "without " + a.key
			}
			named, said := false, ""
			for _, f := range faults {
				named = named || f.Key == a.key || strings.Contains(f.Message, a.key)
				said = f.Error()
			}
			const expected = "a fault that names the key and says what would be right"
			switch {
			case len(faults) == 0:
				return fail(what+" is taken to be right", expected), nil
			case !named:
				return fail(fmt.Sprintf("%s: it says %q, and not which key", what, said), expected), nil
			}
			example = said
		}
		last := stream(ctx, session, tries[0].settings, false)
		if last.until(ctx, 2*time.Second, func() bool { return last.counts().running > 0 || last.ended() != "" }); last.ended() == "" {
			return fail("a stream with such settings begins all the same", "a stream that ends with an error"), ctx.Err()
		}
		return pass("%d refused, such as: %s", len(tries), example), nil
	})
}
