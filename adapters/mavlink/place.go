package mavlink

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// The ellipsoid of WGS 84 (NIMA TR8350.2): semi-major axis in m, and flattening.
const (
	semiMajor  = 6378137.0
	flattening = 1 / 298.257223563
)

// fix is a place on the earth.
type fix struct{ lat, lon, alt float64 } // rad, rad, m

// radii are the meridian's radius of curvature and the prime vertical's at a latitude, m.
func radii(lat float64) (meridian, vertical float64) {
	const e2 = flattening * (2 - flattening)
	s := math.Sin(lat)
	w := 1 - e2*s*s
	vertical = semiMajor / math.Sqrt(w)
	return vertical * (1 - e2) / w, vertical
}

// from is the way from o to f in m north, east, down, along the ellipsoid: exact to the first order, which holds for
// flights of some tens of kilometres.
func (f fix) from(o fix) r3.Vec {
	middle := (f.lat + o.lat) / 2
	m, n := radii(middle)
	lon := math.Remainder(f.lon-o.lon, 2*math.Pi)
	return r3.Vec{
		X: (f.lat - o.lat) * (m + o.alt),
		Y: lon * (n + o.alt) * math.Cos(middle),
		Z: o.alt - f.alt,
	}
}

// at is the place that lies p, m north, east, down, from f.
func (f fix) at(p r3.Vec) fix {
	m, _ := radii(f.lat)
	lat := f.lat + p.X/(m+f.alt)
	m, _ = radii((lat + f.lat) / 2)
	lat = f.lat + p.X/(m+f.alt)
	middle := (lat + f.lat) / 2
	_, n := radii(middle)
	return fix{lat: lat, lon: math.Remainder(f.lon+p.Y/((n+f.alt)*math.Cos(middle)), 2*math.Pi), alt: f.alt - p.Z}
}

// track follows one source of positions and sees where it jumps.
type track struct {
	begun  bool
	time   int64 // of the last position, ns
	at     r3.Vec
	speed  float64
	origin fix
}

// jumped says whether p, reached at speed, m/s, does not continue the track, and goes on from p. The allowance is
// twice the way at the higher speed, and 30 m for a receiver that corrects itself.
func (t *track) jumped(p r3.Vec, speed float64, time int64) bool {
	was := *t
	t.begun, t.at, t.speed, t.time = true, p, speed, time
	if !was.begun {
		return false
	}
	dt := float64(time-was.time) * 1e-9
	return r3.Norm(r3.Sub(p, was.at)) > 30+2*max(speed, was.speed)*dt+5*dt*dt
}

// vertical finds out which way GLOBAL_POSITION_INT's vertical velocity counts. The message set says down, and some
// older autopilots send up; the altitude in the same message cannot be mistaken.
type vertical struct {
	up     bool
	begun  bool
	n      int // pairs that were compared
	time   int64
	alt    float64
	with   float64 // change of altitude times velocity, m²/s
	square float64 // velocity squared times time, m²/s
}

// saw takes altitude in m and velocity in m/s as sent, and says whether the velocity counts up. It takes
// five fixes and a metre a second for a second to change its mind, and forgets in 20 s.
func (u *vertical) saw(alt, velocity float64, time int64) bool {
	dt := float64(time-u.time) * 1e-9
	change := alt - u.alt
	if u.begun && dt < 2 {
		keep := 1 - dt/20
		u.with = keep*u.with + change*velocity
		u.square = keep*u.square + velocity*velocity*dt
		u.n++
		if u.n >= 5 && u.square > 1 && math.Abs(u.with) > u.square/2 {
			u.up = u.with > 0
		}
	}
	u.begun, u.time, u.alt = true, time, alt
	return u.up
}
