package mavlink

// Reader finds frames in a stream of bytes that comes in pieces of any size. The zero value is ready. It allocates
// nothing once its buffer has grown.
type Reader struct {
	buf     []byte
	skipped uint64
	frame   Frame
}

// Skipped counts the bytes that belonged to no frame.
func (r *Reader) Skipped() uint64 { return r.skipped }

// Feed takes the next bytes of the stream and hands over every frame that is now whole. The frame is only valid
// during the call.
func (r *Reader) Feed(p []byte, frame func(*Frame)) {
	for len(p) > 0 {
		// In pieces, so that a huge packet does not keep a huge buffer.
		n := min(len(p), 4096)
		r.buf = append(r.buf, p[:n]...)
		p = p[n:]
		r.scan(frame, false)
	}
}

// Flush says that nothing more belongs to what came so far: what looked like the start of a frame and did not end is
// given up, and frames behind it are found. Call it at the end of a file, or when a live stream has been silent for
// longer than a frame takes.
func (r *Reader) Flush(frame func(*Frame)) { r.scan(frame, true) }

func (r *Reader) scan(frame func(*Frame), last bool) {
	at := 0
scan:
	for at < len(r.buf) {
		rest := r.buf[at:]
		f := &r.frame
		verdict := Parse(rest, f)
		// What cannot be judged is a false start where a frame with a right checksum lies in it: no message of the
		// table carries frames. So a false start neither costs nor delays what is whole behind it.
		if within := len(rest); verdict == Unchecked || verdict == Incomplete {
			if verdict == Unchecked {
				within = len(f.Raw)
			}
			if n := inside(rest, within); n > 0 {
				at += n
				r.skipped += uint64(n)
				continue
			}
		}
		switch verdict {
		case Checked:
			at += len(f.Raw)
			frame(f)
			continue
		case Unchecked:
			// What tells a frame of an unknown message from noise is that another frame follows.
			n := len(f.Raw)
			switch {
			case len(rest) > n && (rest[n] == StartV1 || rest[n] == StartV2), len(rest) == n && last:
				at += n
				frame(f)
				continue
			case len(rest) == n:
				break scan
			}
		case Incomplete:
			if !last {
				break scan
			}
		}
		at++
		r.skipped++
	}
	r.buf = r.buf[:copy(r.buf, r.buf[at:])]
}

// inside finds the first frame with a right checksum that starts after the first byte of b and before the end of what
// starts there; 0: there is none.
func inside(b []byte, end int) int {
	var f Frame
	for i := 1; i < end; i++ {
		if (b[i] == StartV1 || b[i] == StartV2) && Parse(b[i:], &f) == Checked {
			return i
		}
	}
	return 0
}
