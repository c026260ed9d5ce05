//go:build !race

package main

// atOnce is how many tests wait for a seat to move at a time: more than there are processors, since they mostly wait.
const atOnce = "6"

// raced says that the race detector is on.
const raced = false
