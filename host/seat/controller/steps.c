/* The step timer: 25 kHz; each axis adds its rate to a phase, and each carry is a step.
 *
 * STEP is high for at least 2.5 µs; DIR changes one tick, 40 µs, before the step that it holds for.
 *
 * Timers go on when the program hangs, and a motor would keep its last speed until the watchdog's reset. So the program must be
 * heard of every 10 ms; else the timer itself brakes, at the axis's acceleration. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>
#include <util/delay_basic.h>

#include "avr.h"
#include "board.h"
#include "hardware.h"
#include "limits.h"

struct stepper {
	uint16_t phase, rate;
	int32_t count;
	bool up;   /* the direction that is asked for */
	bool turn; /* DIR has still to be set */
};

static volatile struct stepper stepper[AXES];
static volatile uint32_t ticks;

#define HEARD_TICKS (uint8_t)(10000 / TICK_US)
static volatile uint8_t heard = HEARD_TICKS; /* ticks for which the program is still trusted */

/* What braking takes off a rate in a tick: steps a second squared, in 2^-16 step a tick in a tick. */
#define STEPS_PER_UNIT(n) (METRES ? (double)STEPS_PER_TURN_##n : STEPS_PER_TURN_##n / 6.283185307)
#define BRAKE(n) (uint16_t)((double)((const struct limits)LIMITS_##n).acceleration * 1e-3 * STEPS_PER_UNIT(n) * (TICK_US * 1e-6) * (TICK_US * 1e-6) * 65536 + 1)
#define SLOWER(n) (stepper[n].rate = stepper[n].rate > BRAKE(n) ? (uint16_t)(stepper[n].rate - BRAKE(n)) : 0)

/* With what lies between, in threes of cycles, so that the last STEP is high for 2.5 µs: look at it again after a change. */
#define PULSE (AXES > 1 ? 1 : 4)

#define SET(bit, on) ((on) ? (OUT_PORT |= (uint8_t)(1 << (bit))) : (OUT_PORT &= (uint8_t)~(1 << (bit))))

/* s is volatile to others; in here it is not looked at twice. */
#define ADVANCE(i) \
	do { \
		struct stepper *s = (struct stepper *)&stepper[i]; \
		if (s->turn) { \
			s->turn = false; \
			SET(DIR_##i, s->up == DIR_UP_##i); \
		} else { \
			uint16_t before = s->phase, after; \
			if (s->up) { \
				after = before + s->rate; \
				s->phase = after; \
				if (after < before) { \
					SET(STEP_##i, 1); \
					s->count++; \
					stepped = true; \
				} \
			} else { \
				after = before - s->rate; \
				s->phase = after; \
				if (after > before) { \
					SET(STEP_##i, 1); \
					s->count--; \
					stepped = true; \
				} \
			} \
		} \
	} while (0)

ISR(TIMER2_COMPA_vect)
{
	bool stepped = false;
	ADVANCE(0);
#if AXES > 1
	ADVANCE(1);
#endif
	ticks++;
	if (heard) {
		heard--;
	} else {
		SLOWER(0);
#if AXES > 1
		SLOWER(1);
#endif
	}
	if (stepped)
		_delay_loop_1(PULSE);
	SET(STEP_0, 0);
#if AXES > 1
	SET(STEP_1, 0);
#endif
}

void steps_start(void)
{
	uint8_t i;
	for (i = 0; i < AXES; i++) {
		stepper[i].phase = 0x8000; /* a position rounds to its step */
		stepper[i].turn = true;
	}
	OUT_DDR |= (1 << STEP_0) | (1 << DIR_0);
#if AXES > 1
	OUT_DDR |= (1 << STEP_1) | (1 << DIR_1);
#endif
	TCCR2A = 1 << WGM21;
	OCR2A = F_CPU / 8 * TICK_US / 1000000 - 1;
	TCCR2B = 1 << CS21; /* 16 MHz / 8 */
	TIMSK2 = 1 << OCIE2A;
}

void steps_heard(void)
{
	heard = HEARD_TICKS;
}

uint32_t steps_ticks(void)
{
	uint32_t t;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
		t = ticks;
	return t;
}

int32_t steps_position(uint8_t axis)
{
	int32_t count;
	uint16_t phase;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		count = stepper[axis].count;
		phase = stepper[axis].phase;
	}
	return (int32_t)((uint32_t)count << 8) + (phase >> 8) - 128;
}

void steps_rate(uint8_t axis, int32_t rate)
{
	bool up = rate > 0;
	uint16_t r = (uint16_t)(up ? rate : -rate);
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		stepper[axis].rate = r;
		if (r != 0 && up != stepper[axis].up) {
			stepper[axis].up = up;
			stepper[axis].turn = true;
		}
	}
}

void steps_rename(uint8_t axis, int32_t by)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
		stepper[axis].count += by;
}
