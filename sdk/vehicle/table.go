package vehicle

import (
	"fmt"
	"strings"
)

// The columns of the states table that are no signals.
const (
	columnSourceTime    = "source_time_ns"
	columnObservedAt    = "observed_at_ns"
	columnDiscontinuity = "discontinuity"
	columnCondition     = "condition"
	columnName          = "vehicle_name"
	columnClass         = "vehicle_class"
)

// Header is the columns of the states table, in order. Further signals follow.
func Header() []string {
	h := make([]string, 0, SignalCount+6)
	h = append(h, columnSourceTime, columnObservedAt)
	h = append(h, names[:]...)
	return append(h, columnDiscontinuity, columnCondition, columnName, columnClass)
}

// ConditionNamed finds a condition by its name in the states table.
func ConditionNamed(name string) (Condition, bool) {
	for c := Running; c <= Absent; c++ {
		if c.String() == name {
			return c, true
		}
	}
	return Running, false
}

// UnitOf is the unit that ends a signal's name in the states table, "1" where the name ends in none that is known.
func UnitOf(name string) string {
	for _, u := range [...]struct{ suffix, unit string }{ // longer ones first
		{"_rad_s2", "rad/s^2"}, {"_m_s2", "m/s^2"}, {"_rad_s", "rad/s"}, {"_m_s", "m/s"},
		{"_rad", "rad"}, {"_kg", "kg"}, {"_hz", "Hz"}, {"_pa", "Pa"}, {"_ns", "ns"}, {"_rpm", "1/min"},
		{"_m", "m"}, {"_s", "s"}, {"_k", "K"}, {"_n", "N"}, {"_w", "W"}, {"_v", "V"}, {"_a", "A"},
	} {
		if strings.HasSuffix(name, u.suffix) {
			return u.unit
		}
	}
	return "1"
}

// checkFurther says what is wrong with the name of a further signal.
func checkFurther(name string) error {
	if name == "" || len(name) > MaximumText || name[0] < 'a' || name[0] > 'z' {
		return fmt.Errorf("%q is no signal's name: lower case letters, digits and underscores, a letter first", name)
	}
	for _, c := range name {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '_' {
			return fmt.Errorf("%q is no signal's name: lower case letters, digits and underscores, a letter first", name)
		}
	}
	for _, known := range Header() {
		if oneApart(name, known) {
			return fmt.Errorf("%q is too like %q to be a further signal: mend or rename it", name, known)
		}
	}
	return nil
}

// oneApart says whether two different words differ by one letter put in, left out or exchanged.
func oneApart(a, b string) bool {
	if len(a) > len(b) {
		a, b = b, a
	}
	if a == b || len(b)-len(a) > 1 {
		return false
	}
	i := 0
	for i < len(a) && a[i] == b[i] {
		i++
	}
	if len(a) == len(b) {
		return a[i+1:] == b[i+1:]
	}
	return a[i:] == b[i+1:]
}
