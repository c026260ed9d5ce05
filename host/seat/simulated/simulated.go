// Package simulated is a seat controller without a seat.
package simulated
