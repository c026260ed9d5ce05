package controller

import (
	"errors"
	"fmt"
	"time"

	"perch/conformance/report"
	"perch/proto/seatlink"
)

func statusChecks() []Check {
	return []Check{
		check("status-rate", "STATUS comes every 10 to 20 ms", `Unasked, in every state.
Why it matters: it is how the host sees that the controller is there, and it takes the seat's position from it.
Usual mistakes: STATUS only on request; so many that a slow line is full.`, statusRate),
		check("status-fields", "STATUS and RESULT answer the frame that they answer", `STATUS_REQUEST gets RESULT 0 with the type and the number of the request, and a STATUS whose "last valid frame" has that number.
Boot id, axes and hash are those of HELLO; the nonce stays as long as no ARM comes.
Why it matters: by that number a host sees how much is under way, and lets no old setpoints pile up in a driver.
Usual mistake: the number of the last setpoint in its place.`, statusFields),
		check("limits-read", "Its limits can be read, and their hash is right", `LIMITS_READ of each axis gets LIMITS that do not contradict each other; the hash in force is CRC-32 over the axes byte and the 28
bytes of each axis. LIMITS_READ of an axis that is not there gets RESULT 6.
Why it matters: ARM names the hash. A hash that does not cover all limits lets a seat be ridden with limits that nobody knows.
Usual mistakes: the hash of a struct with padding; the hash of the stored limits instead of those in force.`, limitsRead),
	}
}

func statusRate(s *Subject) (report.Finding, error) {
	const expected = "50 to 100 a second"
	if err := s.pass(100 * ms); err != nil {
		return report.Finding{}, err
	}
	s.mark()
	from := s.line.Now()
	const most = 2 * time.Second
	if err := s.pass(most); err != nil {
		return report.Finding{}, err
	}
	span := s.line.Now() - from
	n := len(s.trail)
	if n < 10 {
		return fail(fmt.Sprintf("%d in %.1f s", n, span.Seconds()), expected, because("status", "time", "STATUS hardly comes unasked")), nil
	}
	// From the first to the last, so that where the span is cut does not count.
	between := (s.trail[n-1].at - s.trail[0].at) / time.Duration(n-1)
	s.every = between
	var longest time.Duration
	for i := 1; i < n; i++ {
		longest = max(longest, s.trail[i].at-s.trail[i-1].at)
	}
	measured := fmt.Sprintf("every %.1f ms (%.0f a second); longest pause %.0f ms", ms64(between), 1/between.Seconds(), ms64(longest))
	switch {
	case between > 22*ms:
		return fail(measured, expected, because("status", "time", "STATUS comes too seldom")), nil
	case between < 9*ms:
		return fail(measured, expected, because("status", "time", "STATUS comes too often; on a slow line it delays answers")), nil
	case longest > 20*ms+2*clump+10*ms:
		return warn(measured, expected+", none more than 20 ms after the one before"), nil
	}
	return pass(measured, expected), nil
}

func ms64(d time.Duration) float64 { return d.Seconds() * 1e3 }

func statusFields(s *Subject) (report.Finding, error) {
	const expected = "RESULT 0 with type and number of each request, then a STATUS that has heard it; boot id, axes, hash and nonce constant"
	var worst time.Duration
	nonce := s.status.Nonce
	for range 20 {
		s.mark()
		from := s.line.Now()
		sequence, err := s.send(plain(seatlink.TypeStatusRequest))
		if err != nil {
			return report.Finding{}, err
		}
		ok, err := s.wait(patience, func() bool { return len(s.replies) > 0 && s.statuses > s.replies[0].statuses })
		if err != nil {
			return report.Finding{}, err
		}
		worst = max(worst, s.line.Now()-from)
		switch {
		case len(s.replies) == 0:
			return fail("no RESULT to STATUS_REQUEST", expected, nil), nil
		case s.replies[0].Command != seatlink.TypeStatusRequest || s.replies[0].Sequence != sequence || s.replies[0].Result != seatlink.ResultOK:
			r := s.replies[0]
			return fail(fmt.Sprintf("RESULT to type 0x%02X, number %d: %s; sent was number %d", byte(r.Command), r.Sequence, answered(r.Result, true), sequence), expected, nil), nil
		case !ok:
			return fail("no STATUS after the RESULT of STATUS_REQUEST", expected, nil), nil
		case s.status.Heard != sequence:
			return fail(fmt.Sprintf("STATUS has heard %d; sent was %d", s.status.Heard, sequence), expected, because("status", "order", "bytes 14 and 15 are not the number of the last valid frame")), nil
		case s.status.BootID != s.hello.BootID || s.status.Axes != s.hello.Axes:
			return fail("boot id or axes are not those of HELLO", expected, nil), nil
		case s.status.Nonce != nonce:
			return fail("the nonce changes although no ARM came", expected, because("nonce", "stuck", "a host that arms a moment later is refused")), nil
		}
	}
	s.trip = worst
	measured := fmt.Sprintf("20 of 20 answered; slowest %.1f ms", ms64(worst))
	if s.status.Flags&seatlink.FlagSupply == 0 {
		return report.Finding{}, errors.New("STATUS says that the motor supply is off; switch it on, or look at the polarity of its input")
	}
	return pass(measured, expected), nil
}

func limitsRead(s *Subject) (report.Finding, error) {
	const expected = "LIMITS for each axis, valid, and CRC-32 of them as the hash; RESULT 6 for an axis that is not there"
	s.limits = nil
	if err := s.needLimits(); err != nil {
		var f report.Finding
		if s.line.Now()-s.heard > silence {
			return f, err
		}
		return fail(err.Error(), expected, nil), nil
	}
	now, err := s.fresh()
	if err != nil {
		return report.Finding{}, err
	}
	measured := ""
	for i := range s.limits {
		l := &s.limits[i]
		measured += fmt.Sprintf("axis %d: %.4g to %.4g %s, %.4g and %.4g/s, %.4g/s², %.4g/s³; ", i+1, l.low, l.high, s.unit(), l.speed, l.reduced, l.acceleration, l.jerk)
	}
	measured += fmt.Sprintf("hash %08X", now.Hash)
	if s.hash() != now.Hash {
		return fail(measured, expected, because("hash", "order", "CRC-32 of what LIMITS says is %08X, and STATUS says %08X", s.hash(), now.Hash)), nil
	}
	if s.n() < seatlink.MaxAxes {
		r, heard, err := s.ask(&seatlink.LimitsRead{Axis: uint8(s.n())})
		if err != nil {
			return report.Finding{}, err
		}
		if r != seatlink.ResultValue {
			return fail(fmt.Sprintf("LIMITS_READ of axis %d, which is not there: %s", s.n()+1, answered(r, heard)), expected, nil), nil
		}
	}
	return pass(measured, expected), nil
}
