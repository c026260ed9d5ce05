package mavlink

import (
	"fmt"
	"log/slog"
	"math"
	"net/netip"

	"gonum.org/v1/gonum/num/quat"
	"gonum.org/v1/gonum/spatial/r3"

	"perch/sdk/axes"
	wire "perch/sdk/mavlink"
	"perch/sdk/vehicle"
)

// gravity is the standard acceleration of free fall, m/s², exact by definition (ISO 80000-3).
const gravity = 9.80665

// preference is for how long, on the vehicle's clock in ns, a better source of a signal keeps a worse one out.
const preference = 3e9

// unixUsec is the least stamp that is unix time and not time since boot, µs.
const unixUsec = 1e15

// Decoder turns what comes over one link into the states of one vehicle. It reads no clock and does no I/O: the same
// bytes at the same times give the same states.
type Decoder struct {
	log   *slog.Logger
	want  uint8 // system, 0: the first that says it is a vehicle
	links wire.Links

	readers map[netip.AddrPort]*wire.Reader // a frame may go on in a sender's next datagram

	chosen    bool
	vehicle   wire.Sender
	from      netip.AddrPort
	others    map[wire.Sender]bool // that were logged
	kind      uint8                // MAV_TYPE
	name      string
	class     string
	attitudes uint64 // frames with attitude
	version   uint8  // of the protocol that the vehicle spoke last
	accepted  uint64 // requests for a rate that were accepted

	clock   clock
	broken  bool  // the next state is a discontinuity
	boot    int64 // unix time at boot, µs; 0: not known
	saidIMU bool

	began                                       int64 // when the clock began, ns
	attitude, hud, landed, shaft, global, local int64 // time of the last of each, ns
	globalTrack, localTrack                     track
	onLocal                                     bool // positions come from the vehicle's own origin
	vertical                                    vertical
	airspeed                                    bool // it was other than 0 once
	imu                                         [5]int64
	raw                                         rawUnit

	state vehicle.State // kept here so that none is allocated
}

// rank orders the inertial messages, the best last.
type rank int

const (
	third rank = iota
	second
	unscaled
	scaled
	high
)

// NewDecoder decodes the vehicle of this system number; 0 chooses the first that says, by HEARTBEAT, that it is one.
func NewDecoder(system uint8, log *slog.Logger) *Decoder {
	d := &Decoder{
		log: log, want: system,
		readers: make(map[netip.AddrPort]*wire.Reader),
		others:  make(map[wire.Sender]bool),
	}
	d.forget()
	if system != 0 {
		d.choose(wire.Sender{System: system, Component: 1})
	}
	return d
}

// never is before any time of a vehicle's clock.
const never = math.MinInt64 / 2

// forget drops all that belongs to the vehicle's present run.
func (d *Decoder) forget() {
	d.attitude, d.hud, d.landed, d.shaft, d.global, d.local = never, never, never, never, never, never
	d.globalTrack, d.localTrack, d.vertical = track{}, track{}, vertical{}
	d.boot, d.onLocal, d.began = 0, false, never
	for i := range d.imu {
		d.imu[i] = never
	}
}

func (d *Decoder) choose(s wire.Sender) {
	d.chosen, d.vehicle = true, s
	d.name = fmt.Sprintf("system %d", s.System)
}

// Vehicle is the vehicle that was chosen, and whether one was.
func (d *Decoder) Vehicle() (wire.Sender, bool) { return d.vehicle, d.chosen }

// Link is what the vehicle's sequence numbers tell; nil before anything came from it.
func (d *Decoder) Link() *wire.Link { return d.links.Of(d.vehicle) }

// Bytes takes bytes as they came from a sender and hands over the states in them. A state is only valid during the
// call.
func (d *Decoder) Bytes(b []byte, from netip.AddrPort, observedAt int64, emit func(*vehicle.State)) {
	r := d.readers[from]
	if r == nil {
		// Nobody needs more senders than this; half frames of the old ones are no loss.
		if len(d.readers) >= 16 {
			clear(d.readers)
		}
		r = new(wire.Reader)
		d.readers[from] = r
	}
	r.Feed(b, func(f *wire.Frame) { d.frame(f, from, observedAt, emit) })
}

// Flush says that nothing more belongs to what came so far: the file has ended or the link is silent.
func (d *Decoder) Flush(observedAt int64, emit func(*vehicle.State)) {
	for from, r := range d.readers {
		r.Flush(func(f *wire.Frame) { d.frame(f, from, observedAt, emit) })
	}
}

func (d *Decoder) frame(f *wire.Frame, from netip.AddrPort, observedAt int64, emit func(*vehicle.State)) {
	if !d.links.Saw(f) {
		return
	}
	sender := wire.Sender{System: f.System, Component: f.Component}
	if f.ID == wire.IDHeartbeat {
		d.heartbeat(f, sender)
	}
	if !d.chosen || sender != d.vehicle || !f.Known {
		return
	}
	d.from, d.version = from, f.Version
	s := &d.state
	*s = vehicle.State{ObservedAt: observedAt, Name: d.name, Class: d.class}
	d.message(f, observedAt, s)
	for x := range vehicle.SignalCount {
		if s.Present.Has(x) && math.Abs(s.Values[x]) > vehicle.Bound(x) {
			s.Present &^= 1 << x // bad data of the vehicle: the rest of the state may be good
		}
	}
	if s.Present == 0 {
		return
	}
	s.Discontinuity, d.broken = s.Discontinuity || d.broken, false
	emit(s)
}

// heartbeat chooses the vehicle, and tells of others.
func (d *Decoder) heartbeat(f *wire.Frame, sender wire.Sender) {
	var m wire.Heartbeat
	f.Decode(&m)
	const (
		invalid       = 8 // MAV_AUTOPILOT_INVALID: a camera, a radio, a ground station
		groundStation = 6 // MAV_TYPE_GCS
	)
	if m.Autopilot == invalid || m.Type == groundStation || sender.Component != 1 {
		return
	}
	if !d.chosen && (d.want == 0 || d.want == sender.System) {
		d.choose(sender)
		d.log.Info("vehicle chosen", "vehicle", sender.System, "type", m.Type, "class", class(m.Type))
	}
	if sender == d.vehicle {
		d.kind, d.class = m.Type, class(m.Type)
		return
	}
	if !d.others[sender] && len(d.others) < 255 {
		d.others[sender] = true
		d.log.Warn("another vehicle is on this link and is left out; to take it, set vehicle", "vehicle", sender.System, "taken", d.want, "chosen", d.vehicle.System)
	}
}

// class is the vehicle class of a MAV_TYPE, "" where it says nothing of how the vehicle moves.
func class(kind uint8) string {
	switch kind {
	case 1, 16, 19, 20, 21, 22, 23, 24, 25, 47: // fixed wing, flapping wing, those that take off upright
		return "aeroplane"
	case 2, 13, 14, 15, 29, 35, 43: // four, six, eight, three, twelve, ten rotors, any number
		return "multirotor"
	case 3, 4: // coaxial, helicopter
		return "helicopter"
	case 10, 46: // rover, four legs
		return "ground"
	}
	return ""
}

// leading places a stamp of the clock that every other follows.
func (d *Decoder) leading(ms uint32, observedAt int64) (int64, bool) {
	ns, restarted, ok := d.clock.place(ms, observedAt, true)
	if restarted {
		d.log.Warn("the vehicle's clock started again: it was restarted, or its time was set")
		d.forget()
		d.broken = true
	}
	if ok && d.began == never {
		d.began = ns
	}
	return ns, ok
}

// following places a stamp in µs, of an inertial message, which may be of unix time.
func (d *Decoder) following(us uint64, observedAt int64) (int64, bool) {
	if us > unixUsec {
		if d.boot == 0 {
			d.sayIMU("the inertial sensor's time is of day and SYSTEM_TIME has not told when the vehicle started: specific force is left out till then")
			return 0, false
		}
		us -= uint64(d.boot)
	}
	ns, _, ok := d.clock.place(uint32(us/1000), observedAt, false)
	if !ok && d.clock.begun {
		d.sayIMU("the inertial sensor's clock is not the attitude's: specific force is left out")
	}
	return ns + int64(us%1000)*1000, ok
}

func (d *Decoder) sayIMU(text string) {
	if !d.saidIMU {
		d.saidIMU = true
		d.log.Warn(text)
	}
}

// newer says whether a time is after the last of its kind, and keeps it.
func newer(last *int64, now int64) bool {
	if now <= *last {
		return false
	}
	*last = now
	return true
}

func (d *Decoder) message(f *wire.Frame, at int64, s *vehicle.State) {
	switch f.ID {
	case wire.IDAttitude:
		var m wire.Attitude
		f.Decode(&m)
		if t, ok := d.leading(m.TimeBootMs, at); ok && newer(&d.attitude, t) {
			d.attitudes++
			s.SourceTime = t
			s.PutAttitude(axes.FromEuler(float64(m.Yaw), float64(m.Pitch), float64(m.Roll)))
			putAll(s, vehicle.AngularVelocityP, m.RollSpeed, m.PitchSpeed, m.YawSpeed)
		}
	case wire.IDAttitudeQuaternion:
		var m wire.AttitudeQuaternion
		f.Decode(&m)
		if t, ok := d.leading(m.TimeBootMs, at); ok && newer(&d.attitude, t) {
			d.attitudes++
			s.SourceTime = t
			// Before it has aligned itself a vehicle sends zeros: no attitude, and no rates to rely on.
			q := quat.Number{Real: float64(m.Q[0]), Imag: float64(m.Q[1]), Jmag: float64(m.Q[2]), Kmag: float64(m.Q[3])}
			s.PutAttitude(q)
			if _, ok := s.Attitude(); ok {
				putAll(s, vehicle.AngularVelocityP, m.Rates[0], m.Rates[1], m.Rates[2])
			}
		}
	case wire.IDGlobalPositionInt:
		d.globalPosition(f, at, s)
	case wire.IDLocalPositionNED:
		d.localPosition(f, at, s)
	case wire.IDScaledIMU, wire.IDScaledIMU2, wire.IDScaledIMU3:
		m := wire.ScaledIMU{Unit: 1}
		r := scaled
		switch f.ID {
		case wire.IDScaledIMU2:
			m.Unit, r = 2, second
		case wire.IDScaledIMU3:
			m.Unit, r = 3, third
		}
		f.Decode(&m)
		if t, _, ok := d.clock.place(m.TimeBootMs, at, false); ok {
			d.force(r, t, vec(m.Acc, gravity/1000), s)
		}
	case wire.IDRawIMU:
		var m wire.RawIMU
		f.Decode(&m)
		if d.raw.thousandths(m.Acc, d.log) {
			if t, ok := d.following(m.TimeUsec, at); ok {
				d.force(unscaled, t, vec(m.Acc, gravity/1000), s)
			}
		}
	case wire.IDHighresIMU:
		var m wire.HighresIMU
		f.Decode(&m)
		const acceleration = 1<<0 | 1<<1 | 1<<2
		if m.FieldsUpdated&acceleration == acceleration && m.Sensor == 0 {
			if t, ok := d.following(m.TimeUsec, at); ok {
				d.force(high, t, r3.Vec{X: float64(m.Acc[0]), Y: float64(m.Acc[1]), Z: float64(m.Acc[2])}, s)
			}
		}
	case wire.IDSystemTime:
		var m wire.SystemTime
		f.Decode(&m)
		if boot := int64(m.TimeUnixUsec) - int64(m.TimeBootMs)*1000; m.TimeUnixUsec > unixUsec {
			d.boot = boot
		}
	case wire.IDVFRHUD:
		d.display(f, s)
	case wire.IDExtendedSysState:
		var m wire.ExtendedSysState
		f.Decode(&m)
		if m.LandedState >= 1 && m.LandedState <= 4 && d.unstamped(&d.landed, s) {
			ground := 0.0
			if m.LandedState == 1 {
				ground = 1
			}
			s.Put(vehicle.OnGround, ground)
		}
	case wire.IDRPM:
		var m wire.RPM
		f.Decode(&m)
		if !(m.RPM1 >= 0) || !d.unstamped(&d.shaft, s) { // below 0: the sensor does not work
			return
		}
		if d.class == "helicopter" || d.class == "multirotor" {
			s.Put(vehicle.RotorRPM, float64(m.RPM1))
		} else {
			s.Put(vehicle.EngineRPM, float64(m.RPM1))
		}
	case wire.IDCommandAck:
		var m wire.CommandAck
		f.Decode(&m)
		if m.Command == wire.CommandSetMessageInterval && m.Result == 0 {
			d.accepted++
		}
	}
}

// unstamped gives a message without a stamp the newest time of the vehicle's clock, once for each such time: a clock
// that stands is not made to look alive.
func (d *Decoder) unstamped(last *int64, s *vehicle.State) bool {
	if !d.clock.begun || !newer(last, d.clock.ns()) {
		return false
	}
	s.SourceTime = d.clock.ns()
	return true
}

// putAll sets three signals if all of them are numbers.
func putAll(s *vehicle.State, first vehicle.Signal, x, y, z float32) {
	v := r3.Vec{X: float64(x), Y: float64(y), Z: float64(z)}
	if n := r3.Norm(v); !math.IsNaN(n) && !math.IsInf(n, 0) {
		s.PutVec(first, v)
	}
}

func vec(v [3]int16, scale float64) r3.Vec {
	return r3.Scale(scale, r3.Vec{X: float64(v[0]), Y: float64(v[1]), Z: float64(v[2])})
}

func (d *Decoder) globalPosition(f *wire.Frame, at int64, s *vehicle.State) {
	var m wire.GlobalPositionInt
	f.Decode(&m)
	t, ok := d.leading(m.TimeBootMs, at)
	if !ok || m.Lat == 0 && m.Lon == 0 || m.Lat < -90e7 || m.Lat > 90e7 || !newer(&d.global, t) {
		return
	}
	s.SourceTime = t
	if d.onLocal {
		d.onLocal, s.Discontinuity = false, true // another origin
	}
	const e7 = math.Pi / 180 * 1e-7
	here := fix{lat: float64(m.Lat) * e7, lon: float64(m.Lon) * e7, alt: float64(m.Alt) / 1000}
	k := &d.globalTrack
	if !k.begun {
		k.origin = here
	}
	p := here.from(k.origin)
	if k.jumped(p, r3.Norm(vec(m.Velocity, 0.01)), t) {
		s.Discontinuity = true
		k.origin, k.at = here, r3.Vec{}
		p = r3.Vec{}
		d.log.Warn("the position jumped: it goes on from a new origin")
	}
	s.PutVec(vehicle.PositionN, p)
	if was := d.vertical.up; d.vertical.saw(here.alt, float64(m.Velocity[2])/100, t) != was {
		d.log.Warn("GLOBAL_POSITION_INT's vertical velocity runs against the altitude: an older autopilot sends it positive up; it is turned", "positive_up", d.vertical.up)
	}
	if d.vertical.up {
		m.Velocity[2] = -max(m.Velocity[2], -math.MaxInt16)
	}
	for i, v := range m.Velocity {
		if v > math.MinInt16+1 && v < math.MaxInt16 { // at its end the field only says "at least"
			s.Put(vehicle.VelocityN+vehicle.Signal(i), float64(v)/100)
		}
	}
}

func (d *Decoder) localPosition(f *wire.Frame, at int64, s *vehicle.State) {
	var m wire.LocalPositionNED
	f.Decode(&m)
	t, ok := d.leading(m.TimeBootMs, at)
	if !ok {
		return
	}
	if d.local == never {
		d.local = t
		d.localTrack.time = t // since when it has been the only one
	}
	if t-max(d.global, d.localTrack.time) < preference && !d.onLocal || !newer(&d.local, t) {
		return
	}
	s.SourceTime = t
	if !d.onLocal {
		d.onLocal = true
		s.Discontinuity = d.globalTrack.begun // another origin
		d.globalTrack, d.localTrack = track{}, track{time: d.localTrack.time}
	}
	putAll(s, vehicle.PositionN, m.Position[0], m.Position[1], m.Position[2])
	putAll(s, vehicle.VelocityN, m.Velocity[0], m.Velocity[1], m.Velocity[2])
	p, ok := s.Vec(vehicle.PositionN)
	v, _ := s.Vec(vehicle.VelocityN)
	if ok && d.localTrack.jumped(p, r3.Norm(v), t) {
		s.Discontinuity = true
		d.log.Warn("the position jumped")
	}
}

// display takes airspeed from VFR_HUD, and climb where no message with a stamp gives the velocity.
func (d *Decoder) display(f *wire.Frame, s *vehicle.State) {
	var m wire.VFRHUD
	f.Decode(&m)
	if !d.unstamped(&d.hud, s) {
		return
	}
	// A vehicle that measures none sends 0 for ever.
	d.airspeed = d.airspeed || m.Airspeed > 0
	if d.airspeed && m.Airspeed >= 0 {
		s.Put(vehicle.Airspeed, float64(m.Airspeed))
	}
	if s.SourceTime-max(d.global, d.local, d.began) > preference {
		s.Put(vehicle.VelocityD, -float64(m.Climb))
	}
}

// force sets the specific force, unless a better message gives it or the sensor is not there.
func (d *Decoder) force(r rank, t int64, f r3.Vec, s *vehicle.State) {
	if r3.Norm(f) == 0 || !newer(&d.imu[r], t) {
		return
	}
	for _, better := range d.imu[r+1:] {
		if t-better < preference {
			return
		}
	}
	s.SourceTime = t
	if n := r3.Norm(f); !math.IsNaN(n) && !math.IsInf(n, 0) {
		s.PutVec(vehicle.SpecificForceX, f)
	}
}

// rawUnit finds out whether RAW_IMU counts in thousandths of 9.80665 m/s², which nothing says but its length at rest.
type rawUnit struct {
	trusted, said  bool
	n              int
	least, longest float64
}

// steady is how many samples in a row must have one length, within a tenth, to be taken for rest.
const steady = 10

func (u *rawUnit) thousandths(acc [3]int16, log *slog.Logger) bool {
	if u.trusted {
		return true
	}
	n := r3.Norm(vec(acc, 1))
	if n == 0 {
		return false
	}
	low, up := min(u.least, n), max(u.longest, n)
	if u.n == 0 || up > 1.1*low {
		u.n, u.least, u.longest = 1, n, n
		return false
	}
	u.n, u.least, u.longest = u.n+1, low, up
	if u.n < steady {
		return false
	}
	u.trusted = low > 900 && up < 1100
	if !u.trusted && !u.said {
		u.said = true
		log.Warn("RAW_IMU is not in thousandths of g: at rest it should be near 1000; it is left out", "rest", math.Round(n))
	}
	u.n = 0
	return u.trusted
}
