/* From a builder's units to those of the link, in whole numbers, so that every compiler gives the same ones.
 *
 * In: thousandths of a degree (a second, ...), or micrometres. Out: nrad, µrad/s, mrad/s², mrad/s³; or nm and so on. */
#ifndef UNITS_H
#define UNITS_H

#include <stdint.h>

#define SCALED(x, mul, div) (((x) * (mul) + ((x) < 0 ? -(div) / 2 : (div) / 2)) / (div))

/* 0.001 degree is 17453.292520 nrad. */
#define FROM_ANGLE(x, div) SCALED((x) * 1LL, 17453292520LL, div)
#define FROM_LENGTH(x, mul, div) SCALED((x) * 1LL, mul, div)

#define POSITION(x) ((int32_t)(METRES ? FROM_LENGTH(x, 1000LL, 1LL) : FROM_ANGLE(x, 1000000LL)))
#define SPEED(x) ((uint32_t)(METRES ? FROM_LENGTH(x, 1LL, 1LL) : FROM_ANGLE(x, 1000000000LL)))
#define ACCELERATION(x) ((uint32_t)(METRES ? FROM_LENGTH(x, 1LL, 1000LL) : FROM_ANGLE(x, 1000000000000LL)))
#define JERK(x) ACCELERATION(x)

#define LIMITS(low, high, park, speed, reduced, acceleration, jerk) \
	{POSITION(low), POSITION(high), POSITION(park), SPEED(speed), SPEED(reduced), ACCELERATION(acceleration), JERK(jerk)}

#endif
