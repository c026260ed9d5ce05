package seat

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"perch/proto/seatlink"
)

// What a serial line carries, and what is asked of it.
const (
	bitsPerByte = 10  // 8 data bits between a start and a stop bit
	fullest     = 0.9 // the most of a line that setpoints may take: commands, and a stop above all, need the rest
	easy        = 0.8 // the most where the baud is chosen here
	chipClock   = 16e6
)

// usual are the bauds that ChooseBaud chooses from, in this order. Both are exact on a 16 MHz 8-bit controller; the
// first is what proto/seatlink calls usual, and is not so fast that such a controller must hurry to take each byte.
var usual = [...]int{500_000, 1_000_000}

// exact are those that a 16 MHz 8-bit controller makes without an error, for messages.
var exact = [...]int{250_000, 500_000, 1_000_000}

// SetpointBits is what the setpoints of n axes at rate Hz take of a line, bit/s.
func SetpointBits(n int, rate float64) float64 {
	var encoder seatlink.Encoder // the length of a frame does not depend on what is in it
	frame := encoder.Append(nil, &seatlink.Setpoint{Axes: seatlink.Axes{N: n}})
	return LineBits(len(frame), rate)
}

// LineBits is what so many bytes at rate Hz take of a line, bit/s.
func LineBits(bytes int, rate float64) float64 { return float64(bitsPerByte*bytes) * rate }

// ChooseBaud gives the baud for setpoints of n axes at rate Hz.
func ChooseBaud(n int, rate float64) (int, error) {
	need := SetpointBits(n, rate)
	for _, baud := range usual {
		if need <= easy*float64(baud) {
			return baud, nil
		}
	}
	most := usual[len(usual)-1]
	return 0, fmt.Errorf("baud: %s, more than %d carries well; use --rate %s", needs(n, rate, need), most, hertz(slower(n, most)))
}

// CheckBaud says whether a line of that baud carries setpoints of n axes at rate Hz. The error says what would.
func CheckBaud(baud, n int, rate float64) error {
	need := SetpointBits(n, rate)
	remedy := "use "
	if better, err := ChooseBaud(n, rate); err == nil {
		remedy += strconv.Itoa(better) + " here and in the controller, or "
	}
	return CheckLine(baud, need, needs(n, rate, need), remedy+"--rate "+hertz(slower(n, baud)))
}

// CheckLine says whether a line of that baud carries need bit/s and has room for what must not wait. what says who needs
// them, and remedy what to do.
func CheckLine(baud int, need float64, what, remedy string) error {
	if most := fullest * float64(baud); need > most {
		return fmt.Errorf("baud: %s; %d carries %s beside room for a stop; %s", what, baud, kilobits(most), remedy)
	}
	return nil
}

// Detune is the error of a baud on a 16 MHz 8-bit controller, as a share: its serial port makes f/(8(UBRR+1)) in double
// speed mode, with a whole UBRR of 12 bits (the chip's data sheet, baud rate generator).
func Detune(baud int) float64 {
	divisor := min(max(math.Round(chipClock/(8*float64(baud))), 1), 1<<12)
	return chipClock/(8*divisor)/float64(baud) - 1
}

// DetuneWarning is a line for people about a baud that a 16 MHz 8-bit controller does not make well: off by more than 2 %
// (common practice for 8 data bits, no source). Empty: it does. A controller with USB of its own ignores the baud.
func DetuneWarning(baud int) string {
	off := Detune(baud)
	if math.Abs(off) <= 0.02 {
		return ""
	}
	var better []string
	for _, b := range exact {
		better = append(better, strconv.Itoa(b))
	}
	return fmt.Sprintf("baud %d: a 16 MHz 8-bit controller makes it %.1f %% too %s, and bytes may be lost; %s are exact there; a controller with USB of its own does not mind",
		baud, 100*math.Abs(off), map[bool]string{true: "fast", false: "slow"}[off > 0], strings.Join(better, ", "))
}

// slower is a rate at which n axes go through a line, Hz: a round one where there is one.
func slower(n, baud int) float64 {
	most := easy * float64(baud) / SetpointBits(n, 1)
	for _, rate := range [...]float64{1000, 500, 250, 200, 125, 100, 50} {
		if rate <= most {
			return rate
		}
	}
	return math.Floor(most)
}

func needs(n int, rate, need float64) string {
	axes := "axes"
	if n == 1 {
		axes = "axis"
	}
	return fmt.Sprintf("%d %s at %s Hz need %s", n, axes, hertz(rate), kilobits(need))
}

func hertz(rate float64) string { return strconv.FormatFloat(rate, 'g', 6, 64) }

func kilobits(bits float64) string { return fmt.Sprintf("%.3g kbit/s", bits/1000) }
