package signs

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"perch/sdk"
)

// Identity is what a record holds for.
type Identity struct {
	Source   string            `json:"source"`   // as the operator calls it
	Adapter  string            `json:"adapter"`  // as it describes itself
	Version  string            `json:"version"`  // of the adapter
	Settings map[string]string `json:"settings"` // that change what the signals mean
	Hash     string            `json:"settings_sha256"`
}

// whereFrom are settings that only say where the source is, and how fast it comes: a file that is played counts like the
// source that it was recorded from. Any other setting may change what a signal means.
func whereFrom(key string) bool {
	return slices.Contains([]string{
		"listen", "connect", "address", "host", "group", "interface", "url", "port", "baud", "device", "path", "file",
		"speed", "rate", "request_rate", "timeout",
	}, key)
}

// IdentityOf is what a source is, by what its adapter says of itself and by its settings: one that is not given has its
// default.
func IdentityOf(source string, d sdk.Description, settings map[string]string) Identity {
	id := Identity{Source: source, Adapter: d.Name, Version: d.Version, Settings: map[string]string{}}
	for _, s := range d.Settings {
		v, ok := settings[s.Key]
		if !ok {
			v = s.Default
		}
		if !whereFrom(s.Key) && v != "" {
			id.Settings[s.Key] = v
		}
	}
	id.Hash = hash(id.Settings)
	return id
}

func hash(settings map[string]string) string {
	h := sha256.New()
	for _, k := range slices.Sorted(maps.Keys(settings)) {
		fmt.Fprintf(h, "%q = %q\n", k, settings[k])
	}
	return hex.EncodeToString(h.Sum(nil))
}

func (id Identity) same(other Identity) bool {
	return id.Source == other.Source && id.Adapter == other.Adapter && id.Version == other.Version && id.Hash == other.Hash
}

// Record is one sign check that was done.
type Record struct {
	Identity
	Date     time.Time `json:"date"`
	Way      Way       `json:"way"`
	Class    string    `json:"class,omitempty"`
	Standing Standing  `json:"standing"`
	Results  []Result  `json:"motions"`
	Mend     []string  `json:"mend,omitempty"`
}

// Verdict is what a book says of a source.
type Verdict struct {
	Standing Standing
	Reason   string // why it is not confirmed, "" where it is
	Remedy   string // what to do, "" where nothing is
}

// Line is the verdict in one line.
func (v Verdict) Line() string {
	if v.Standing == Confirmed {
		return v.Standing.Words()
	}
	return fmt.Sprintf("%s: %s; %s", v.Standing.Words(), v.Reason, v.Remedy)
}

// Book is all that is kept, a record for each source as it is. The zero value is an empty one.
type Book struct {
	Format  int      `json:"format"` // of the file: 1
	Records []Record `json:"records"`
}

const format = 1

// With is the book with a record in place of the one for the same source.
func (b Book) With(r Record) Book {
	out := Book{Format: format}
	for _, old := range b.Records {
		if !old.same(r.Identity) {
			out.Records = append(out.Records, old)
		}
	}
	out.Records = append(out.Records, r)
	return out
}

// Check says what is known of the signs of a source. command is what a person types to check them.
func (b Book) Check(id Identity, command string) Verdict {
	remedy := "do " + command
	reason := "nobody has checked them"
	for _, r := range b.Records {
		if r.same(id) {
			return r.verdict(remedy)
		}
		switch {
		case r.Source != id.Source || r.Adapter != id.Adapter:
		case r.Version != id.Version:
			reason = fmt.Sprintf("they were checked for version %s of the adapter, and this is %s", r.Version, id.Version)
		default:
			reason = "they were checked with other settings: " + difference(r.Settings, id.Settings)
		}
	}
	return Verdict{Standing: NotConfirmed, Reason: reason, Remedy: remedy}
}

func (r Record) verdict(remedy string) Verdict {
	on := r.Date.Format("2 January 2006")
	switch r.Standing {
	case Confirmed:
		return Verdict{Standing: Confirmed}
	case Contradicted:
		why := strings.Join(r.Mend, "; ")
		if why == "" {
			why = "a motion came out wrong"
		}
		return Verdict{Contradicted, fmt.Sprintf("on %s they were seen to be wrong: %s", on, why), remedy + " once that is mended"}
	case NotConfirmed:
	}
	var left []string
	for _, x := range r.Results {
		if x.Outcome != Agrees {
			left = append(left, x.Motion.Name())
		}
	}
	return Verdict{NotConfirmed, fmt.Sprintf("on %s these were not shown: %s", on, strings.Join(left, ", ")), remedy + " again"}
}

func difference(was, is map[string]string) string {
	var out []string
	keys := maps.Clone(was)
	maps.Copy(keys, is)
	for _, k := range slices.Sorted(maps.Keys(keys)) {
		if was[k] != is[k] {
			out = append(out, fmt.Sprintf("%s was %q and is %q", k, was[k], is[k]))
		}
	}
	return strings.Join(out, ", ")
}

// Path is where the book of this user is: perch/signs.json in the user's folder for state (XDG Base Directory
// Specification 0.8) or, on systems that have none, for configuration.
func Path() (string, error) {
	if runtime.GOOS == "linux" {
		if folder := os.Getenv("XDG_STATE_HOME"); filepath.IsAbs(folder) {
			return filepath.Join(folder, "perch", "signs.json"), nil
		}
		home, err := os.UserHomeDir()
		if err != nil {
			return "", fmt.Errorf("the folder for sign checks is not known: %w; name a file with --keep", err)
		}
		return filepath.Join(home, ".local", "state", "perch", "signs.json"), nil
	}
	folder, err := os.UserConfigDir()
	if err != nil {
		return "", fmt.Errorf("the folder for sign checks is not known: %w; name a file with --keep", err)
	}
	return filepath.Join(folder, "perch", "signs.json"), nil
}

// mostBytes is the largest file that is read.
const mostBytes = 1 << 20

// Load reads a book; a file that is not there is an empty one.
func Load(path string) (Book, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return Book{Format: format}, nil
	}
	if err != nil {
		return Book{}, fmt.Errorf("sign checks: %w; check the path and its permissions", err)
	}
	defer func() { _ = f.Close() }()
	data, err := io.ReadAll(io.LimitReader(f, mostBytes+1))
	if err != nil {
		return Book{}, fmt.Errorf("sign checks: %w; check the path and its permissions", err)
	}
	b, err := Parse(data)
	if err != nil {
		return Book{}, fmt.Errorf("%s: %w; remove the file, and do perch signs again", path, err)
	}
	return b, nil
}

// Parse reads a book, strictly: one that was changed by hand is worth nothing.
func Parse(data []byte) (Book, error) {
	if len(data) > mostBytes {
		return Book{}, fmt.Errorf("has more than %d bytes and is no file of sign checks", mostBytes)
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	var b Book
	if err := d.Decode(&b); err != nil {
		return Book{}, fmt.Errorf("is no file of sign checks: %w", err)
	}
	if d.More() {
		return Book{}, errors.New("is no file of sign checks: something follows its end")
	}
	if b.Format != format {
		return Book{}, fmt.Errorf("has format %d, and this program reads %d", b.Format, format)
	}
	for _, r := range b.Records {
		if r.Hash != hash(r.Settings) || r.Standing != Whole(r.Results) {
			return Book{}, fmt.Errorf("the record of source %q does not agree with itself", r.Source)
		}
	}
	return b, nil
}

// Save writes the book. The file is replaced whole or not at all; a folder that is missing is made.
func (b Book) Save(path string) error {
	b.Format = format
	data, err := json.MarshalIndent(b, "", "  ")
	if err != nil {
		return err
	}
	folder := filepath.Dir(path)
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fmt.Errorf("sign checks cannot be kept: %w; name another file with --keep", err)
	}
	f, err := os.CreateTemp(folder, ".perch-signs-*")
	if err != nil {
		return fmt.Errorf("sign checks cannot be kept: %w; name another file with --keep", err)
	}
	_, err = f.Write(append(data, '\n'))
	for _, step := range []func() error{f.Sync, f.Close} {
		if e := step(); err == nil {
			err = e
		}
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
		return fmt.Errorf("sign checks cannot be kept: %w; name another file with --keep", err)
	}
	return nil
}
