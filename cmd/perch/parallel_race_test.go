//go:build race

package main

// atOnce is few where the race detector makes every program ten times as heavy.
const atOnce = "2"

// raced says that the race detector is on.
const raced = true
