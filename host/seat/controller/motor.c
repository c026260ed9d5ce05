#include "motor.h"

#include "board.h"
#include "hardware.h"

/* 2^-32 times this is 1/256 step for each nrad (2^32 256 10^-9 / 2 pi for each step of a turn), or for each nm. */
#define SCALE(n) ((int32_t)(METRES ? (n) * 1099511628LL / 1000000 : (n) * 174992711LL / 1000000))
/* 3/4 of the rate for each rad/s or m/s: steps a second in 2^-16 step a tick. */
#define RATE(n) (0.75f * (float)(n) * (METRES ? 2.62144f : 0.417215134f))
/* nrad or nm for each 1/256 step. */
#define NANO(n) (4294967296.0f / (float)SCALE(n))

#if AXES > 1
#define BOTH(f) {f(STEPS_PER_TURN_0), f(STEPS_PER_TURN_1)}
#else
#define BOTH(f) {f(STEPS_PER_TURN_0)}
#endif

static const int32_t scale[AXES] = BOTH(SCALE);
static const float rate[AXES] = BOTH(RATE);
static const float nano[AXES] = BOTH(NANO);

static int32_t steps_of(uint8_t axis, int32_t x)
{
	return (int32_t)(((int64_t)x * scale[axis]) >> 32);
}

float motor_gain(uint16_t period_ticks)
{
	return 64.0f / (float)period_ticks; /* 256 / 4: from 1/256 step in 4 periods to 2^-16 step a tick */
}

void motor_follow(uint8_t axis, const struct axis *ax, float gain)
{
	int32_t behind = steps_of(axis, ax->x) - steps_position(axis);
	/* v T of it is the lag that is meant: of what is made up in 4 periods, a fourth of v. The rest is error. */
	float r = rate[axis] * ax->v + gain * (float)behind;
	float most = ax->speed * (rate[axis] * (1.25f / 0.75f));

	if (ax->v == 0 && behind > -16 && behind < 16)
		r = 0; /* there, to a sixteenth of a step */
	if (most > 65535.0f)
		most = 65535.0f;
	steps_rate(axis, (int32_t)(r > most ? most : r < -most ? -most : r));
}

void motor_cut(uint8_t axis)
{
	steps_rate(axis, 0);
}

void motor_is_at(uint8_t axis, int32_t x)
{
	int32_t d = steps_of(axis, x) - steps_position(axis);
	steps_rename(axis, (d + 128) >> 8);
}

int32_t motor_position(uint8_t axis)
{
	return (int32_t)((float)steps_position(axis) * nano[axis]);
}
