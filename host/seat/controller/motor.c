#include "motor.h"

#include "board.h"
#include "hardware.h"

/* 2^-32 times this is 1/256 step for each nrad (2^32 256 10^-9 / 2 pi for each step of a turn), or for each nm. */
#define SCALE(n) ((int32_t)(METRES ? (n) * 1099511628LL / 1000000 : (n) * 174992711LL / 1000000))
/* Rate for each rad/s or m/s: steps a second in 2^-16 step a tick. */
#define RATE(n) ((float)(n) * (METRES ? 2.62144f : 0.417215134f))
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

void motor_follow(uint8_t axis, const struct axis *ax, uint16_t period_ticks)
{
	int32_t behind = steps_of(axis, ax->x) - steps_position(axis);
	/* In a fourth of 4 periods: v T of it is the lag that is meant, the rest is error. 256 / 4 = 64. */
	float r = 0.75f * rate[axis] * ax->v + 64.0f * (float)behind / (float)period_ticks;
	float most = 1.25f * rate[axis] * ax->speed;

	if (most > 65535.0f)
		most = 65535.0f;
	if (ax->v == 0 && behind > -16 && behind < 16)
		r = 0; /* there, to a sixteenth of a step */
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
