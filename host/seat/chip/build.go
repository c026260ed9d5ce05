package chip

import (
	"debug/elf"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// Part is the chip that the firmware is for.
const Part = "atmega328p"

// What the chip has, in bytes: the data sheet's memory sizes.
const (
	FlashSize = 32 * 1024
	RAMSize   = 2 * 1024
)

// Firmware is a built firmware and the runner for it.
type Firmware struct {
	ELF    string // path
	Wiring Wiring
	Flash  int // bytes of flash in use
	RAM    int // bytes of RAM in use by variables; the stack takes more
	folder string
	runner string

	stackFloor int // first address after the variables
}

// Require skips a test where PERCH_TEST_AVR is not set.
func Require(t testing.TB) {
	t.Helper()
	if os.Getenv("PERCH_TEST_AVR") == "" {
		t.Skip("set PERCH_TEST_AVR to run the firmware on a simulated chip")
	}
}

// Build builds the firmware and the runner, in a folder of the test's own. Each of edits changes a line of the builder's
// header there, as a builder would, and is written NAME=VALUE. It skips the test where PERCH_TEST_AVR is not set; where it is, a missing tool is a failure.
func Build(t testing.TB, edits ...string) *Firmware {
	t.Helper()
	Require(t)
	f := &Firmware{folder: copySource(t)}
	header := filepath.Join(f.folder, "board.h")
	text, err := os.ReadFile(header)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range edits {
		name, value, _ := strings.Cut(e, "=")
		line := regexp.MustCompile(`(?m)^#define ` + regexp.QuoteMeta(name) + ` .*$`)
		if !line.Match(text) {
			t.Fatalf("board.h defines no %s", name)
		}
		text = line.ReplaceAllLiteral(text, []byte("#define "+name+" "+value))
	}
	if err := os.WriteFile(header, text, 0o600); err != nil {
		t.Fatal(err)
	}
	f.Wiring = readWiring(t, f.folder)
	run(t, "make", "-s", "-C", f.folder)
	built := filepath.Join(f.folder, "build")
	run(t, "make", "-s", "-C", filepath.Join(f.folder, "bench"), "OUT="+built)
	f.ELF, f.runner = filepath.Join(built, "controller.elf"), filepath.Join(built, "bench")
	f.measure(t)
	return f
}

// Host compiles a C file together with the portable part of the firmware for this machine, and gives the program's path.
func Host(t testing.TB, file string) string {
	t.Helper()
	Require(t)
	folder := copySource(t)
	run(t, "make", "-s", "-C", folder, "host")
	out := filepath.Join(folder, "program")
	run(t, "gcc", "-O2", "-I", folder, "-o", out, file, filepath.Join(folder, "build", "host", "libcontroller.a"), "-lm")
	return out
}

// copySource copies the firmware and the runner into a folder of the test's own.
func copySource(t testing.TB) string {
	t.Helper()
	_, file, _, _ := runtime.Caller(0)
	source, folder := filepath.Join(filepath.Dir(file), "..", "controller"), t.TempDir()
	for _, name := range []string{"", "bench"} {
		copyFiles(t, filepath.Join(source, name), filepath.Join(folder, name))
	}
	return folder
}

func copyFiles(t testing.TB, from, to string) {
	t.Helper()
	entries, err := os.ReadDir(from)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(to, 0o700); err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !e.Type().IsRegular() {
			continue
		}
		b, err := os.ReadFile(filepath.Join(from, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(to, e.Name()), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

func run(t testing.TB, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v: install make gcc gcc-avr avr-libc libsimavr-dev libelf-dev pkg-config\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// measure reads the sizes from the ELF file. Flash holds the code and what .data starts with.
func (f *Firmware) measure(t testing.TB) {
	t.Helper()
	file, err := elf.Open(f.ELF)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	const dataSpace = 0x800000 // where avr-gcc puts RAM
	for _, s := range file.Sections {
		if s.Flags&elf.SHF_ALLOC == 0 {
			continue
		}
		if s.Addr >= dataSpace && s.Addr < dataSpace+0x10000 {
			f.RAM += int(s.Size)
			f.stackFloor = max(f.stackFloor, int(s.Addr-dataSpace+s.Size))
		}
		if s.Type == elf.SHT_PROGBITS && s.Addr < dataSpace+0x10000 {
			f.Flash += int(s.Size)
		}
	}
}

// functions are names by address, in order.
type functions []elf.Symbol

func (f *Firmware) functions(t testing.TB) (out functions) {
	t.Helper()
	file, err := elf.Open(f.ELF)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = file.Close() }()
	symbols, err := file.Symbols()
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range symbols {
		if elf.ST_TYPE(s.Info) != elf.STT_OBJECT && s.Section < elf.SHN_LORESERVE && s.Name != "" && s.Value < FlashSize && s.Name[0] != '.' {
			out = append(out, s)
		}
	}
	slices.SortStableFunc(out, func(a, b elf.Symbol) int { return int(a.Value) - int(b.Value) })
	return out
}

// at is the function that an address is in.
func (f functions) at(address int) string {
	name := "?"
	for _, s := range f {
		if int(s.Value) > address {
			break
		}
		name = s.Name
	}
	return name
}
