package seat

import (
	"math"
	"strings"
	"testing"
)

// Errors of a 16 MHz 8-bit controller in double speed mode, percent to one place, from the data sheet's baud = f/(8(UBRR+1))
// with the UBRR beside it.
func TestDetune(t *testing.T) {
	for _, c := range []struct {
		baud, ubrr int
		percent    float64
	}{
		{9600, 207, 0.2}, {19200, 103, 0.2}, {38400, 51, 0.2}, {57600, 34, -0.8}, {76800, 25, 0.2}, {115200, 16, 2.1},
		{230400, 8, -3.5}, {250000, 7, 0}, {500000, 3, 0}, {1000000, 1, 0},
	} {
		if got, want := Detune(c.baud), 16e6/(8*float64(c.ubrr+1))/float64(c.baud)-1; got != want || math.Abs(100*got-c.percent) > 0.06 {
			t.Errorf("%d baud: %.3f %%, want %.1f %%", c.baud, 100*got, c.percent)
		}
		if warned := DetuneWarning(c.baud) != ""; warned != (math.Abs(c.percent) > 2) {
			t.Errorf("%d baud: %q", c.baud, DetuneWarning(c.baud))
		}
	}
}

// The figures of proto/seatlink: 140 kbit/s for two axes and 340 for six.
func TestBaud(t *testing.T) {
	if two, six := SetpointBits(2, 500), SetpointBits(6, 500); two != 140e3 || six != 340e3 {
		t.Errorf("two axes %v, six %v bit/s", two, six)
	}
	for _, c := range []struct {
		n    int
		rate float64
		want int
	}{{2, 500, 500_000}, {6, 500, 500_000}, {2, 1000, 500_000}, {6, 1000, 1_000_000}, {1, 50, 500_000}} {
		if got, err := ChooseBaud(c.n, c.rate); err != nil || got != c.want {
			t.Errorf("%d axes at %v Hz: %d, %v", c.n, c.rate, got, err)
		}
	}
	if _, err := ChooseBaud(6, 2000); err == nil || !strings.Contains(err.Error(), "use --rate 1000") {
		t.Errorf("6 axes at 2000 Hz: %v", err)
	}
	for _, c := range []struct {
		baud, n int
		rate    float64
		want    string
	}{
		{250_000, 6, 500, "baud: 6 axes at 500 Hz need 340 kbit/s; 250000 carries 225 kbit/s beside room for a stop; use 500000 here and in the controller, or --rate 250"},
		{115_200, 2, 500, "baud: 2 axes at 500 Hz need 140 kbit/s; 115200 carries 104 kbit/s beside room for a stop; use 500000 here and in the controller, or --rate 250"},
		{250_000, 2, 500, ""},
		{115_200, 2, 250, ""},
		{9600, 6, 500, "--rate 11"},
	} {
		err := CheckBaud(c.baud, c.n, c.rate)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%+v: %v", c, err)
		}
	}
	// What ChooseBaud chooses, CheckBaud takes; and the slower rate that it names is taken, too.
	for n := 1; n <= 6; n++ {
		for rate := 50.0; rate <= 1000; rate += 25 {
			baud, err := ChooseBaud(n, rate)
			if err != nil || CheckBaud(baud, n, rate) != nil {
				t.Errorf("%d axes at %v Hz: %d, %v", n, rate, baud, err)
			}
		}
		for _, baud := range []int{38400, 57600, 115200, 250000} {
			if err := CheckBaud(baud, n, slower(n, baud)); err != nil {
				t.Error(err)
			}
		}
	}
}
