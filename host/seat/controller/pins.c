/* Switches, alarms and supply sense, each filtered; ENABLE; the lamp. */
#include <avr/io.h>
#include <util/atomic.h>

#include "avr.h"
#include "board.h"
#include "hardware.h"

#define BIT(b) ((uint8_t)(1 << (b)))
#if AXES > 1
#define IN_BITS (BIT(HOME_0) | BIT(HOME_1) | BIT(OVER_0) | BIT(OVER_1) | BIT(ALARM_0) | BIT(ALARM_1))
#define ENABLES (BIT(ENABLE_0) | BIT(ENABLE_1))
#define PAIR(p, name, level) (uint8_t)((((p) >> name##_0 & 1) == (level) ? 1 : 0) | (((p) >> name##_1 & 1) == (level) ? 2 : 0))
#else
#define IN_BITS (BIT(HOME_0) | BIT(OVER_0) | BIT(ALARM_0))
#define ENABLES BIT(ENABLE_0)
#define PAIR(p, name, level) (uint8_t)(((p) >> name##_0 & 1) == (level) ? 1 : 0)
#endif

struct filter {
	uint8_t value, seen, ms;
};

/* Takes the place of value when it has been seen for FILTER_MS. */
static void filter(struct filter *f, uint8_t seen)
{
	if (seen != f->seen) {
		f->seen = seen;
		f->ms = 0;
	} else if (f->ms < FILTER_MS) {
		f->ms++;
	} else {
		f->value = seen;
	}
}

static struct filter over, alarm, supply;

static void read(struct inputs *in, uint8_t *o, uint8_t *a, uint8_t *s)
{
	uint8_t p = IN_PIN;
#if HOMING == HOMING_SWITCHES
	in->home = PAIR(p, HOME, HOME_CLOSED);
#else
	in->home = 0;
#endif
	*o = PAIR(p, OVER, OVER_ACTIVE);
	*a = PAIR(p, ALARM, ALARM_ACTIVE);
	*s = (AUX_PIN >> SUPPLY & 1) == SUPPLY_PRESENT;
}

void pins_start(void)
{
	drivers_power(false);
	OUT_DDR |= ENABLES;
	IN_DDR &= (uint8_t)~IN_BITS;
	IN_PORT |= IN_BITS;
	AUX_DDR &= (uint8_t)~BIT(SUPPLY);
	AUX_PORT |= BIT(SUPPLY);
	AUX_DDR |= BIT(LAMP);
}

void pins_first(struct inputs *in)
{
	read(in, &over.value, &alarm.value, &supply.value);
	over.seen = in->over = over.value;
	alarm.seen = in->alarm = alarm.value;
	supply.seen = supply.value;
	in->supply = supply.value;
}

void pins_read(struct inputs *in)
{
	uint8_t o, a, s;
	read(in, &o, &a, &s);
	filter(&over, o);
	filter(&alarm, a);
	filter(&supply, s);
	in->over = over.value;
	in->alarm = alarm.value;
	in->supply = supply.value;
}

void pins_lamp(bool on)
{
	if (on)
		AUX_PORT |= BIT(LAMP);
	else
		AUX_PORT &= (uint8_t)~BIT(LAMP);
}

void drivers_power(bool on)
{
	/* Two bits at once take three instructions; the step timer writes STEP and DIR on the same port. */
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
		if (on == (ENABLE_ON == 1))
			OUT_PORT |= ENABLES;
		else
			OUT_PORT &= (uint8_t)~ENABLES;
	}
}
