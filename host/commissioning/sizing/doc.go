// Package sizing judges on paper whether motors, gears, cranks and stops are enough for a seat and its rider.
package sizing
