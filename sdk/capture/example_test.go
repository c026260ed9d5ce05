package capture_test

import (
	"fmt"
	"strings"

	"perch/sdk/capture"
)

// Timed lines, as in the README.
func Example() {
	r, format, err := capture.New(strings.NewReader(`perch capture 1
# a comment
0.000 hex   fe09052a01000a00 000001038104037303
0.020 text  roll 1.5 pitch -0.25
0.040 crlf  $HEADING,271.5
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(format)
	for {
		p, err := r.Read()
		if err != nil {
			break // io.EOF
		}
		fmt.Printf("%d ms %q\n", p.Time/1_000_000, p.Data)
	}
	// Output:
	// timed lines
	// 0 ms "\xfe\t\x05*\x01\x00\n\x00\x00\x00\x01\x03\x81\x04\x03s\x03"
	// 20 ms "roll 1.5 pitch -0.25\n"
	// 40 ms "$HEADING,271.5\r\n"
}
