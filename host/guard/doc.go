// Package guard has the last word on where the seat goes.
package guard
