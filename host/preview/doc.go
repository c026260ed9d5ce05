// Package preview runs a whole ride offline: from what was recorded of a vehicle through queues, estimation, cueing and
// the guard to what the seat would have done, and says how that would have felt.
//
// It takes no longer than it takes to compute, reads no clock, and opens nothing: the same flight with the same settings
// gives the same rows, bit for bit, on machines of one architecture. What it runs is the chain of a ride, with a controller
// that does at once what it is told and is armed before the first state comes; so a ride fades in over its first two
// seconds, as on the seat.
//
// Times are s of source time since the first state. States arrive in the order of their observed_at, where that is given, or
// of the ticks of a recording, and as late as that says: the least latency in a file counts as none.
package preview
