package feed

import (
	"bytes"
	"math/rand/v2"
)

// Variant is how a capture is spoiled before it is delivered.
type Variant string

// What is delivered as it is, and what Variants lists.
const (
	Intact    Variant = ""
	Truncated Variant = "truncated" // each packet ends early, at any place
	Flipped   Variant = "flipped"   // up to 7 bits of each packet are turned
	Random    Variant = "random"    // each packet is as long as it was, of random bytes
	Oversized Variant = "oversized" // each packet goes on with random bytes to the length of the longest datagram
	Flood     Variant = "flood"     // each packet comes ten times
)

// Variants are all that spoil something.
func Variants() []Variant { return []Variant{Truncated, Flipped, Random, Oversized, Flood} }

// The longest datagram over IPv4 (65535 less the headers of RFC 791 and RFC 768), and how often a flood repeats.
const (
	maxDatagram = 65535 - 20 - 8
	floodTimes  = 10
)

// vary spoils packets; the same seed always in the same way.
type vary struct {
	variant Variant
	random  *rand.Rand
	filler  *rand.ChaCha8
	buf     []byte
}

func newVary(v Variant, seed uint64) *vary {
	var key [32]byte
	for i := range 8 {
		key[i] = byte(seed >> (8 * i))
	}
	filler := rand.NewChaCha8(key)
	return &vary{variant: v, random: rand.New(filler), filler: filler}
}

// packet is what becomes of one captured packet; valid until the next call.
func (v *vary) packet(p []byte) [][]byte {
	v.buf = append(v.buf[:0], p...)
	switch v.variant {
	case Truncated:
		if len(p) > 0 {
			v.buf = v.buf[:v.random.IntN(len(p))]
		}
	case Flipped:
		if len(p) > 0 {
			// At least one differs: an odd number of turns never cancels out.
			for range 1 + 2*v.random.IntN(4) {
				bit := v.random.IntN(8 * len(p))
				v.buf[bit/8] ^= 1 << (bit % 8)
			}
		}
	case Random:
		_, _ = v.filler.Read(v.buf)
	case Oversized:
		if more := maxDatagram - len(p); more > 0 {
			v.buf = append(v.buf, bytes.Repeat([]byte{0}, more)...)
			_, _ = v.filler.Read(v.buf[len(p):])
		}
	case Flood:
		pieces := make([][]byte, floodTimes)
		for i := range pieces {
			pieces[i] = v.buf
		}
		return pieces
	}
	return [][]byte{v.buf}
}
