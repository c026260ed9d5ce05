/* The limits of an axis as the link carries them. They live in flash; what is in force may only be tighter. */
#ifndef LIMITS_H
#define LIMITS_H

#include <stdbool.h>
#include <stdint.h>

#include "board.h"

/* nrad, µrad/s, mrad/s², mrad/s³; or nm and so on. In memory as on the link: 28 bytes, little-endian. */
struct limits {
	int32_t low, high, park;
	uint32_t speed, reduced, acceleration, jerk;
};

#define AXES_BYTE (AXES | (METRES ? 0x10 : 0))

void limits_stored(struct limits out[AXES]);
bool limits_valid(const struct limits *l);
bool limits_within(const struct limits *l, const struct limits *outer);
uint32_t limits_hash(const struct limits l[AXES]);

#endif
