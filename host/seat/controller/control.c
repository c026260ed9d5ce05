#include "control.h"

#include <string.h>

#include "hardware.h"
#include "motor.h"

#define LATE TICKS_MS(20)
#define LATCH TICKS_MS(100)
#define STEADY TICKS_MS(500)
#define LINK_WITHIN TICKS_MS(60000)
#define OWN_PERIOD TICKS_MS(4) /* of moves that no setpoint asks for */
#define SHORTEST_US 2000               /* period of setpoints that this processor keeps up with */

#define NEAR (METRES ? 2000000L : 8726646L) /* 2 mm or 0.5 degrees */
#define SLIP 2                              /* nrad or nm */

#define AGE(c, t) ((c)->now - (t))

static uint32_t draw(struct control *c)
{
	/* splitmix32: nonces need to differ, not to be secret. */
	uint32_t z = c->random += 0x9E3779B9UL;
	z = (z ^ z >> 16) * 0x21F0AAADUL;
	z = (z ^ z >> 15) * 0x735A2D97UL;
	return z ^ z >> 15;
}

static void adopt(struct control *c)
{
	uint8_t i;
	c->hash = limits_hash(c->limits);
	for (i = 0; i < AXES; i++) {
		const struct limits *l = &c->limits[i];
		struct axis *ax = &c->axis[i];
		ax->low = l->low;
		ax->high = l->high;
		ax->speed = (float)l->speed * 1e-6f;
		ax->reduced = (float)l->reduced * 1e-6f;
		ax->acceleration = (float)l->acceleration * 1e-3f;
		ax->jerk = (float)l->jerk * 1e-3f;
		ax->easing = ax->acceleration * ax->acceleration / (2 * ax->jerk);
	}
}

static void power(struct control *c, bool on)
{
	c->powered = on;
	if (!on)
		c->free = true;
	drivers_power(on);
}

static bool at_rest(const struct control *c)
{
	uint8_t i;
	for (i = 0; i < AXES; i++)
		if (c->axis[i].v != 0 || c->axis[i].a != 0)
			return false;
	return true;
}

static float top(const struct control *c, const struct axis *ax)
{
	return c->reduced ? ax->reduced : ax->speed;
}

/* Takes the time between setpoints, and what depends on it and on the speed that is allowed. */
static void set_period(struct control *c, uint16_t ticks)
{
	uint8_t i;
	c->period = ticks;
	c->gain = motor_gain(ticks);
	c->tick.dt = (float)ticks * TICK_S;
	c->tick.per_s = 1 / c->tick.dt;
	c->tick_2.dt = 2 * c->tick.dt;
	c->tick_2.per_s = 0.5f * c->tick.per_s;
	for (i = 0; i < AXES; i++)
		c->axis[i].ticks = 1e-9f / (TICK_S * top(c, &c->axis[i]));
}

/* Starts its own law, no earlier than a tick after the last motion that was told. */
static void brake_from(struct control *c)
{
	if (c->state == ARMED && !c->by_itself) {
		c->next = c->accepted + c->period;
		if ((int32_t)(c->next - c->now) < 0)
			c->next = c->now;
	}
	c->by_itself = true;
}

/* Stops every axis as far as it can be controlled, and loses the position. */
static void fail(struct control *c, uint16_t faults)
{
	uint8_t i;
	c->faults |= faults;
	c->homed = false;
	brake_from(c);
	c->state = FAULT;
	if (c->faults & FAULT_SUPPLY) {
		c->state = SUPPLY_OFF;
		power(c, false); /* so that a supply that comes back powers nothing */
		for (i = 0; i < AXES; i++) {
			motor_cut(i);
			c->axis[i].x = motor_position(i);
			c->axis[i].v = c->axis[i].a = 0;
		}
	}
}

/* Brakes from whatever moves. after is HELD, or READY for ready where that is the park position. */
static void halt(struct control *c, uint8_t after)
{
	switch (c->state) {
	case ARMED:
	case PARKING:
		c->after_rest = after;
		break;
	case HOMING_NOW:
		c->after_rest = DISARMED;
		c->homed = false;
		break;
	case STOPPING:
		if (after == HELD && c->after_rest == READY)
			c->after_rest = HELD;
		return;
	default:
		return;
	}
	brake_from(c);
	c->state = STOPPING;
}

/* The link is lost. The third time within a minute is a fault. */
static void lost(struct control *c)
{
	if (c->losses == 2 && AGE(c, c->loss[0]) <= LINK_WITHIN) {
		fail(c, FAULT_LINK);
		return;
	}
	if (c->losses == 2)
		c->loss[0] = c->loss[1];
	else
		c->losses++;
	c->loss[c->losses - 1] = c->now;
	halt(c, HELD);
}

static bool near(int32_t x, int32_t y)
{
	int32_t d = law_difference(x, y);
	return d <= NEAR && d >= -NEAR;
}

static void follow(struct control *c)
{
	uint8_t i;
	for (i = 0; i < AXES; i++) {
		if (c->cut >> i & 1)
			motor_cut(i);
		else
			motor_follow(i, &c->axis[i], c->gain);
	}
}

/* Begins the way to the park position, which every axis reaches at the same time. */
static void move_to_park(struct control *c)
{
	uint8_t i;
	c->move_time = 0.01f;
	c->move_start = c->now;
	for (i = 0; i < AXES; i++) {
		float t = law_move_time(&c->axis[i], c->limits[i].park);
		if (t > c->move_time)
			c->move_time = t;
		c->axis[i].from = c->axis[i].x;
	}
	set_period(c, OWN_PERIOD);
	c->next = c->now;
}

/* One tick of that way; true at its end. */
static bool move_tick(struct control *c)
{
	float part = (float)AGE(c, c->move_start) * TICK_S / c->move_time;
	uint8_t i;
	for (i = 0; i < AXES; i++)
		law_move(&c->axis[i], c->limits[i].park, part, c->move_time);
	return part >= 1;
}

static void homing_now(struct control *c)
{
	if (c->to_park) {
		if (move_tick(c)) {
			c->homed = true;
			c->state = READY;
		}
		return;
	}
	if (!c->powered) { /* the drivers take hold first */
		power(c, true);
		c->free = false;
		c->move_start = c->now;
	}
	if (AGE(c, c->move_start) < TICKS_MS(ENABLE_SETTLE_MS))
		return;
#if HOMING == HOMING_BY_HAND
	{
		static const int32_t level[] = {LEVEL_0, LEVEL_1};
		uint8_t i;
		for (i = 0; i < AXES && !c->level_known; i++) {
			c->axis[i].x = level[i];
			motor_is_at(i, level[i]);
		}
		c->to_park = true;
		move_to_park(c);
	}
#else
	if (!c->searching) {
		c->searching = true;
		homing_begin(&c->homing, c->axis, c->in.home);
	}
	switch (homing_tick(&c->homing, c->axis, c->in.home, &c->tick)) {
	case HOMING_FOUND:
		c->to_park = true;
		move_to_park(c);
		break;
	case HOMING_FAILED:
		fail(c, FAULT_HOMING);
		break;
	default:
		break;
	}
#endif
}

/* One tick of braking; at rest STOPPING ends. */
static void brake_tick(struct control *c)
{
	uint8_t i;
	for (i = 0; i < AXES; i++) {
		struct axis *ax = &c->axis[i];
		int32_t low = law_difference(ax->low, ax->x), high = law_difference(ax->x, ax->high);
		law_brake(ax, &c->tick);
		/* Setpoints that the host's guard has passed never lead here. */
		if (c->homed && (low > NEAR || high > NEAR) && !(c->faults & FAULT_TRAVEL))
			fail(c, FAULT_TRAVEL);
	}
	if (c->state != STOPPING || !at_rest(c))
		return;
	c->by_itself = false;
	c->state = c->after_rest;
	for (i = 0; i < AXES; i++)
		if (c->state == READY && !near(c->axis[i].x, c->limits[i].park))
			c->state = HELD;
}

/* One tick of an armed controller that has had no setpoint in time, or is not where it says. */
static void armed_tick(struct control *c)
{
	bool joined = true;
	uint8_t i;
	if (AGE(c, c->accepted) >= (uint32_t)c->period * 3 / 2) {
		if (!c->by_itself) {
			c->by_itself = true;
			c->late++;
		}
		brake_tick(c);
		return;
	}
	for (i = 0; i < AXES; i++)
		joined &= law_catch_up(&c->axis[i], top(c, &c->axis[i]), &c->tick_2);
	c->next += c->period; /* two periods at a time: with setpoints to read besides, the processor cannot do more */
	if (joined) {
		c->by_itself = false;
		c->credit = 0;
		c->next = c->accepted + (uint32_t)c->period * 3 / 2;
	}
}

static void own_tick(struct control *c)
{
	c->next += c->period;
	switch (c->state) {
	case ARMED:
		armed_tick(c);
		break;
	case STOPPING:
	case FAULT:
		brake_tick(c);
		break;
	case HOMING_NOW:
		homing_now(c);
		break;
	case PARKING:
		if (move_tick(c))
			c->state = READY;
		break;
	default:
		break;
	}
	if (c->state != SUPPLY_OFF)
		follow(c);
}

static void look(struct control *c)
{
	uint16_t causes = 0;
	if (!c->in.supply)
		causes |= FAULT_SUPPLY;
	else if (c->in.alarm) /* a driver without supply has nothing to say */
		causes |= FAULT_ALARM;
	if (causes & FAULT_ALARM)
		c->cut |= c->in.alarm;
	if (c->in.over)
		causes |= FAULT_TRAVEL;
	if (causes & (uint16_t)~c->faults)
		fail(c, causes);
}

static bool cause_present(const struct control *c)
{
	return !c->in.supply || c->in.alarm || c->in.over || c->damaged;
}

void control_start(struct control *c, uint32_t boot_id, uint8_t reset_cause, bool supply)
{
	uint8_t i;
	memset(c, 0, sizeof *c);
	c->in.supply = supply;
	c->boot_id = boot_id;
	c->random = boot_id * 0x85EBCA6BUL;
	c->nonce = draw(c);
	c->reset_cause = reset_cause;
	c->fresh_hello = true;
	limits_stored(c->limits);
	adopt(c);
	set_period(c, OWN_PERIOD);
	c->stored_hash = c->hash;
	c->state = DISARMED;
	power(c, false);
	for (i = 0; i < AXES; i++)
		c->damaged |= !limits_valid(&c->limits[i]);
	if (c->damaged)
		fail(c, FAULT_LIMITS);
	if (reset_cause == RESET_WATCHDOG)
		fail(c, FAULT_PROCESSOR);
}

void control_step(struct control *c, uint32_t now, const struct inputs *in)
{
	c->now = now;
	c->in = *in;
	look(c);
	if (c->known && AGE(c, c->accepted) >= LATCH) {
		if (c->state == ARMED)
			lost(c);
		if (AGE(c, c->accepted) > LATCH)
			c->known = c->long_steady = false;
	}
	if (c->known && AGE(c, c->steady) >= STEADY)
		c->long_steady = true;
	if ((int32_t)(now - c->next) >= 0)
		own_tick(c);
#if HOMING == HOMING_SWITCHES
	if ((int32_t)(now - c->watch) >= 0) {
		c->watch = now + TICKS_MS(2);
		if (c->homed && !homing_agrees(&c->homing, c->axis, c->in.home))
			fail(c, FAULT_EDGE);
	}
#endif
}

static bool inside(const struct control *c, const struct setpoint *s)
{
	uint8_t i;
	for (i = 0; i < AXES; i++) {
		const struct limits *l = &c->limits[i];
		uint32_t most = c->reduced && c->state == ARMED ? l->reduced : l->speed;
		uint32_t v = s->speed[i] < 0 ? 0 - (uint32_t)s->speed[i] : (uint32_t)s->speed[i];
		if (s->position[i] < l->low - SLIP || s->position[i] > l->high + SLIP || (v > most && v - most > most / 1000))
			return false;
	}
	return true;
}

/* The second opinion: may this step be taken at once? What time has passed and was not used allows it, two periods at most. */
static bool affordable(struct control *c, uint32_t since)
{
	float used = 0, most = (float)(2 * c->period);
	uint8_t i;
	c->credit += (float)since;
	if (c->credit > most)
		c->credit = most;
	for (i = 0; i < AXES; i++) {
		const struct axis *ax = &c->axis[i];
		int32_t step = law_difference(ax->target, ax->x);
		float u = (float)((step < 0 ? -step : step) - SLIP) * ax->ticks;
		if (u > used)
			used = u;
	}
	if (used > c->credit)
		return false;
	c->credit -= used;
	return true;
}

void control_setpoint(struct control *c, uint16_t sequence, const struct setpoint *s)
{
	uint32_t before = c->accepted;
	uint8_t i;
	if (c->known && !c->fresh_hello && (int16_t)(uint16_t)(sequence - c->sequence) <= 0) {
		c->refused++;
		return;
	}
	if (!inside(c, s)) {
		c->refused++;
		return;
	}
	if (!c->known || c->fresh_hello) {
		c->steady = c->now;
		c->long_steady = false;
	}
	c->known = true;
	c->fresh_hello = false;
	c->accepted = c->now;
	c->sequence = sequence;
	for (i = 0; i < AXES; i++) {
		struct axis *ax = &c->axis[i];
		float a = (float)s->acceleration[i] * 4e-3f;
		ax->target = s->position[i] < ax->low ? ax->low : s->position[i] > ax->high ? ax->high : s->position[i];
		ax->target_v = (float)s->speed[i] * 1e-6f;
		ax->target_a = a > ax->acceleration ? ax->acceleration : a < -ax->acceleration ? -ax->acceleration : a;
	}
	if (c->state != ARMED || c->by_itself)
		return; /* by itself, its own tick takes the setpoint up */
	if (!affordable(c, c->now - before)) {
		c->by_itself = true;
		c->next = before + c->period;
		if ((int32_t)(c->next - c->now) < 0)
			c->next = c->now;
		return;
	}
	for (i = 0; i < AXES; i++) {
		struct axis *ax = &c->axis[i];
		ax->x = ax->target;
		ax->v = ax->target_v;
		ax->a = ax->target_a;
	}
	c->next = c->now + (uint32_t)c->period * 3 / 2;
	follow(c);
}

uint8_t control_arm(struct control *c, uint32_t nonce, uint32_t hash, uint16_t period_us, bool reduced)
{
	uint32_t want = c->nonce;
	uint8_t i;
	c->random ^= c->now; /* when it came is anyone's guess */
	do
		c->nonce = draw(c);
	while (c->nonce == want);
	if (nonce != want)
		return RESULT_NONCE;
	if (c->state == DISARMED)
		return RESULT_NOT_HOMED;
	if (c->state != READY)
		return RESULT_STATE;
	if (limits_hash(c->limits) != c->hash) {
		c->damaged = true; /* memory has changed by itself: only a restart helps */
		fail(c, FAULT_LIMITS);
		return RESULT_STATE;
	}
	if (hash != c->hash)
		return RESULT_HASH;
	if (period_us < SHORTEST_US || period_us > 20000)
		return RESULT_VALUE;
	if (!c->known || !c->long_steady || AGE(c, c->accepted) > LATE)
		return RESULT_STALE;
	for (i = 0; i < AXES; i++) {
		const struct axis *ax = &c->axis[i];
		float v = ax->target_v < 0 ? -ax->target_v : ax->target_v;
		if (!near(ax->target, ax->x) || (reduced && v > ax->reduced * 1.001f))
			return RESULT_FAR;
	}
	c->state = ARMED;
	c->reduced = reduced;
	set_period(c, (uint16_t)((period_us + TICK_US / 2) / TICK_US));
	c->by_itself = true; /* walks to the setpoint before it follows */
	c->next = c->now + c->period;
	return RESULT_OK;
}

uint8_t control_home(struct control *c)
{
	switch (c->state) {
	case HOMING_NOW:
		return RESULT_OK;
	case DISARMED:
#if HOMING == HOMING_BY_HAND
		if (!c->free)
			return RESULT_STATE; /* nobody can have levelled it: the drivers have held it all the time */
#endif
	case READY:
	case HELD:
		break;
	default:
		return RESULT_STATE;
	}
#if HOMING == HOMING_BY_HAND
	c->level_known = c->homed;
#endif
	c->homed = c->to_park = c->searching = false;
	c->state = HOMING_NOW;
	set_period(c, OWN_PERIOD);
	c->next = c->now;
	c->move_start = c->now - TICKS_MS(ENABLE_SETTLE_MS);
	return RESULT_OK;
}

uint8_t control_park(struct control *c)
{
	switch (c->state) {
	case HELD:
		c->state = PARKING;
		move_to_park(c);
		return RESULT_OK;
	case READY:
	case PARKING:
		return RESULT_OK;
	default:
		return RESULT_STATE;
	}
}

uint8_t control_reset(struct control *c)
{
	uint8_t i;
	if (c->state != FAULT && c->state != SUPPLY_OFF)
		return RESULT_STATE;
	if (cause_present(c))
		return RESULT_CAUSE;
	if (!at_rest(c))
		return RESULT_STATE;
	for (i = 0; i < AXES; i++)
		c->axis[i].x = motor_position(i); /* of an axis that was cut: nothing is made up for */
	c->faults = 0;
	c->cut = 0;
	c->losses = 0;
	c->homed = c->by_itself = false;
	c->state = DISARMED;
	return RESULT_OK;
}

uint8_t control_stop(struct control *c)
{
	halt(c, HELD);
	return RESULT_OK;
}

uint8_t control_disarm(struct control *c)
{
	halt(c, READY);
	return RESULT_OK;
}

uint8_t control_tighten(struct control *c, uint8_t axis, const struct limits *l)
{
	const struct axis *ax = &c->axis[axis];
	if (axis >= AXES)
		return RESULT_VALUE;
	if (c->state != DISARMED && c->state != READY && c->state != HELD)
		return RESULT_STATE;
	if (!limits_valid(l) || !limits_within(l, &c->limits[axis]))
		return RESULT_VALUE;
	if (c->homed && (ax->x < l->low - SLIP || ax->x > l->high + SLIP))
		return RESULT_VALUE;
	c->limits[axis] = *l;
	adopt(c);
	return RESULT_OK;
}

void control_hello(struct control *c)
{
	if (c->state == ARMED)
		return;
	c->fresh_hello = true;
	c->known = c->long_steady = false;
}
