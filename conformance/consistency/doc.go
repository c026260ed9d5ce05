// Package consistency finds what is wrong in a recording of vehicle states by what must hold between signals, whatever the
// vehicle does: the attitude turns as the angular velocity says; the velocity changes as specific force and gravity say;
// the position changes as the velocity says; the air data fit velocity, attitude and a steady wind. It is pure mathematics
// over states: no clock, no files.
//
// # How it is judged
//
// A relation is gauged over spans of about a second that do not overlap: how far apart its two sides are, against a
// tolerance for the noise, the sampling and the amount of motion (relation.go).
//
// A catalogue (change.go) holds the single mistakes that authors make: units, signs, exchanged axes, frames, gravity, order
// of quaternion elements and of Euler angles, clocks, delays. Each is undone in a copy of the recording, and the relations
// are gauged again. Only spans in which the two readings of the recording differ by more than twice the tolerance have a
// say, and each votes for the reading that is nearer. So nothing is concluded from spans in which nothing moves, and no
// threshold on a residual decides by itself.
//
// Where the recording is right, noise makes a span vote for another reading with a probability of at most 0.05: that is
// what the tolerance means. A change is believed when its votes have a probability below 1e-4 under that, with four votes
// in five. The share of the tolerance that noise really takes is estimated from the reading that fits best, over the spans
// that move most.
//
// Of the changes that are believed, the one after which all relations together hold best is named, then what the data
// cannot tell from it. It is then made, and the search goes on for a second mistake.
//
// The other way round the same votes say what a recording shows to be right (Result.Evidence): a component whose opposite sign the
// spans refuse. A component about which they say nothing was not moved enough.
//
// # What cannot be seen
//
// At rest and level, nothing but the size of the specific force. A pair of signals that are wrong in the same way, a world
// mirrored as a whole: these agree with themselves. A person has to look.
package consistency
