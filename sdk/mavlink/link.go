package mavlink

// Sender names who sent a frame.
type Sender struct{ System, Component uint8 }

// Link is what one sender's sequence numbers tell of the way to here.
type Link struct {
	Received   uint64 // frames, duplicates included
	Lost       uint64 // gaps in the sequence
	Duplicates uint64 // frames that came twice, over a second way
	last       uint8
	seen       [256]mark
}

// mark remembers one frame by its sequence number.
type mark struct {
	at       uint64 // Received when it came, 0: never
	id       uint32
	checksum uint16
}

// Quality is the share of the sent frames that came, 0 to 1.
func (l *Link) Quality() float64 {
	came := l.Received - l.Duplicates
	if came == 0 {
		return 0
	}
	return float64(came) / float64(came+l.Lost)
}

// Links counts frames by their sender. The zero value is ready.
type Links struct{ by map[Sender]*Link }

// Of is a sender's link, or nil where nothing has come from it.
func (l *Links) Of(s Sender) *Link { return l.by[s] }

// Saw counts a frame and says whether it is new. A frame is not new where one of the same number, message and
// checksum came among the 128 frames before: a relay sends what came by another way already.
func (l *Links) Saw(f *Frame) bool {
	s := Sender{f.System, f.Component}
	k := l.by[s]
	if k == nil {
		if l.by == nil {
			l.by = make(map[Sender]*Link)
		}
		k = &Link{last: f.Sequence - 1}
		l.by[s] = k
	}
	k.Received++
	old := k.seen[f.Sequence]
	now := mark{at: k.Received, id: f.ID, checksum: f.Checksum()}
	if old.at != 0 && now.at-old.at <= 128 && old.id == now.id && old.checksum == now.checksum {
		k.Duplicates++
		return false
	}
	k.seen[f.Sequence] = now
	switch gap := f.Sequence - k.last; {
	case gap > 0 && gap < 128:
		k.Lost += uint64(gap - 1)
		k.last = f.Sequence
	case old.at != 0 && now.at-old.at <= 128:
		// The number was used a moment ago for another frame: the sender began again.
		k.last = f.Sequence
	case gap != 0 && k.Lost > 0 && gap > 240:
		k.Lost-- // it was late, not lost
	default:
		k.last = f.Sequence // too far back to be late: the sender began again
	}
	return true
}
