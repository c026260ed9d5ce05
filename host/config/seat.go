package config

import (
	"math"
	"slices"
	"strings"

	"perch/host/commissioning/sizing"
	"perch/host/guard"
	"perch/host/mechanism"
	"perch/host/pose"
)

// Seat is what a seat file says.
type Seat struct {
	Port      string // "simulated", a serial port, or usb:VID:PID[:SERIAL]
	Baud      int    // 0: chosen for the rate and the axes
	Mechanism Mechanism
	Limits    guard.Limits
	Load      sizing.Load     // zero where the file says nothing
	Drive     sizing.Drive    // zero where the file says nothing
	HardStop  sizing.HardStop // zero where the file says nothing
	Board     string          // what the controller says of itself, "" where not known
	Driver    string          // of the controller: LinkDriver or TextDriver
	Dialect   Dialect         // of TextDriver
	Record    Record          // [commissioning]
}

// What a file may ask for. These bounds catch slips of unit and sign; what a seat can bear is far below.
const (
	mostAngle        = math.Pi                // rad
	mostAngularSpeed = 1000 * math.Pi / 180   // rad/s
	mostAngularAccel = 50_000 * math.Pi / 180 // rad/s²
	mostAngularJerk  = 5e6 * math.Pi / 180    // rad/s³
	mostLength       = 3.                     // m
	mostSpeed        = 5.                     // m/s
	mostAcceleration = 50.                    // m/s²
	mostJerk         = 5000.                  // m/s³
	leastRate        = 1e-4                   // of speed, acceleration and jerk: none is no limit but a stuck axis
	minBaud, maxBaud = 9600, 4_000_000        // bit/s
)

// DefaultSeat is the simulated seat with the reference geometry.
func DefaultSeat() Seat {
	s, err := parseSeat("seat.toml", defaultSeat, guard.Limits{})
	if err != nil {
		panic(err) // embedded; the tests read it
	}
	return s
}

// LoadSeat reads a seat file. The error is Faults where it is about what the file says.
func LoadSeat(path string) (Seat, error) {
	data, err := readFile(path, "seat")
	if err != nil {
		return Seat{}, err
	}
	return ParseSeat(path, data)
}

// ParseSeat reads a seat from memory; name is for messages. The error is Faults.
func ParseSeat(name string, data []byte) (Seat, error) {
	return parseSeat(name, data, usualLimits())
}

// usualLimits are those of a seat file that leaves them out.
func usualLimits() guard.Limits {
	l := DefaultSeat().Limits // of roll and pitch
	for a := range pose.Roll {
		l.Low[a], l.High[a], l.Speed[a], l.Acceleration[a], l.Jerk[a] = -0.05, 0.05, 0.2, 2, 30
	}
	const yaw = pose.Yaw
	l.Low[yaw], l.High[yaw], l.Speed[yaw], l.Acceleration[yaw], l.Jerk[yaw] = l.Low[pose.Roll], l.High[pose.Roll], l.Speed[pose.Roll], l.Acceleration[pose.Roll], l.Jerk[pose.Roll]
	return l
}

func parseSeat(name string, data []byte, limits guard.Limits) (Seat, error) {
	root, faults := read(name, data)
	s := Seat{Port: Simulated, Driver: LinkDriver}
	top := &section{file: name, node: root, faults: &faults}
	if top.string("port", &s.Port) {
		if message := checkPort(s.Port); message != "" {
			top.fault(root.find("port").line, "port", "%s", message)
		}
	}
	readBaud(top, &s.Baud)
	readMechanism(top, &s.Mechanism)
	if s.Mechanism.Kind == Box {
		b := s.Mechanism.Box
		limits = guard.Limits{Low: b.Low, High: b.High, Speed: b.Speed, Acceleration: b.Acceleration, Jerk: b.Jerk}
	}
	s.Limits = limits
	readLimits(top, &s)
	readHardStop(top, &s)
	readLoad(top.sub("load"), &s.Load)
	readDrive(top.sub("drive"), &s.Drive)
	readController(top, &s)
	readRecord(top, &s.Record)
	top.done()
	faults.sort()
	if len(faults) > 0 {
		return Seat{}, faults
	}
	return s, nil
}

func readBox(s *section, b *mechanism.BoxSettings) {
	for a := range pose.Count {
		axis := s.sub(a.String())
		if axis.node == nil {
			continue
		}
		b.Axes |= pose.Of(a)
		readAxis(axis, a, axis.need, &b.Low, &b.High, &b.Speed, &b.Acceleration, &b.Jerk)
	}
	if b.Axes == 0 {
		s.fault(0, "", "moves no axis; add a table for each axis, such as [%s.heave]", s.path)
	}
}

type quantityReader func(key string, d Dimension, low, high float64, out *float64)

func readAxis(s *section, a pose.Axis, read quantityReader, low, high, speed, acceleration, jerk *pose.Pose) {
	if a.Unit() == "rad" {
		read("low", Angle, -mostAngle, 0, &low[a])
		read("high", Angle, 0, mostAngle, &high[a])
		read("speed", AngularSpeed, leastRate, mostAngularSpeed, &speed[a])
		read("acceleration", AngularAcceleration, leastRate, mostAngularAccel, &acceleration[a])
		read("jerk", AngularJerk, leastRate, mostAngularJerk, &jerk[a])
	} else {
		read("low", Length, -mostLength, 0, &low[a])
		read("high", Length, 0, mostLength, &high[a])
		read("speed", Speed, leastRate, mostSpeed, &speed[a])
		read("acceleration", Acceleration, leastRate, mostAcceleration, &acceleration[a])
		read("jerk", Jerk, leastRate, mostJerk, &jerk[a])
	}
	s.done()
}

func readLimits(top *section, out *Seat) {
	s := top.sub("limits")
	axes := out.Mechanism.Axes()
	var moved []string
	for a := range pose.Count {
		if axes.Has(a) {
			moved = append(moved, a.String())
		}
	}
	l := &out.Limits
	for a := range pose.Count {
		if !axes.Has(a) {
			// An axis that the mechanism lacks is worth more words than an unknown key; without a mechanism nothing is known.
			if n := findIn(s.node, a.String()); n != nil {
				s.asked = append(s.asked, a.String())
				if out.Mechanism.Kind != "" {
					s.fault(n.line, a.String(), "this mechanism does not move %s, only %s; remove it", a, strings.Join(moved, " and "))
				}
			}
			continue
		}
		axis := s.sub(a.String())
		if axis.node == nil {
			continue
		}
		readAxis(axis, a, func(key string, d Dimension, low, high float64, v *float64) { axis.quantity(key, d, low, high, v) },
			&l.Low, &l.High, &l.Speed, &l.Acceleration, &l.Jerk)
		if l.Low[a] == l.High[a] {
			axis.fault(0, "", "low and high are both level, so the axis cannot move; give low under zero or high over it")
		}
	}
	for a := range pose.Count {
		if !axes.Has(a) {
			l.Low[a], l.High[a], l.Speed[a], l.Acceleration[a], l.Jerk[a] = 0, 0, 0, 0, 0
		}
	}
	slices.Sort(s.asked)
	s.done()
	if len(*top.faults) == 0 {
		readReach(s, out)
	}
}

func findIn(n *node, key string) *node {
	if n == nil {
		return nil
	}
	return n.find(key)
}

// OrdinarySeat is a seat of ordinary size with a kind of mechanism, on the simulated port, for a maker to start from. A
// box has no ordinary size.
func OrdinarySeat(kind string) (Seat, error) {
	s := Seat{Port: Simulated, Driver: LinkDriver, Mechanism: OrdinaryMechanism(kind), Limits: usualLimits()}
	if _, err := s.Mechanism.New(); err != nil {
		return Seat{}, err
	}
	return ParseSeat(kind, s.Text())
}
