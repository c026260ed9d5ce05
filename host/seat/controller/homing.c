#include "homing.h"

#include "limits.h"
#include "motor.h"

#if AXES > 1
#define BOTH(a) {a##0, a##1}
#else
#define BOTH(a) {a##0}
#endif

static const int32_t edge[AXES] = BOTH(HOME_EDGE_);
static const int8_t below[AXES] = BOTH(HOME_CLOSED_BELOW_);

#define DISAGREEMENTS 3 /* ticks */

static int32_t far(int32_t x, int32_t y)
{
	int32_t d = law_difference(x, y);
	return d < 0 ? -d : d;
}

/* The open side's direction. */
static int8_t open_side(uint8_t i)
{
	return below[i] ? 1 : -1;
}

void homing_begin(struct homing *h, struct axis ax[AXES], uint8_t closed)
{
	struct limits own[AXES]; /* a seat may stand outside of what a host has tightened */
	uint8_t i;
	limits_stored(own);
	for (i = 0; i < AXES; i++) {
		bool is_closed = closed >> i & 1;
		/* Until the edge is found it counts from the end of the side that the switch says. */
		ax[i].x = is_closed == (below[i] != 0) ? own[i].low : own[i].high;
		h->most[i] = far(ax[i].x, edge[i]) + HOME_BEYOND;
		ax[i].v = ax[i].a = 0;
		motor_is_at(i, ax[i].x);
		h->phase[i] = is_closed ? HOMING_LEAVE : HOMING_SEARCH;
		h->mark[i] = ax[i].x;
		h->wrong[i] = 0;
	}
}

static void next(struct homing *h, struct axis *ax, uint8_t i, uint8_t phase)
{
	h->phase[i] = phase;
	h->mark[i] = ax->x;
}

static bool axis_tick(struct homing *h, struct axis *ax, uint8_t i, bool closed, const struct tick *t)
{
	const float fast = (float)HOME_FAST * 1e-6f, slow = (float)HOME_SLOW * 1e-6f, ramp = (float)HOME_RAMP * 1e-3f;
	int32_t gone = far(ax->x, h->mark[i]), most = h->most[i];
	float v = (float)open_side(i);

	switch (h->phase[i]) {
	case HOMING_SEARCH: /* towards the closed side */
		v *= -fast;
		if (closed)
			next(h, ax, i, HOMING_LEAVE);
		break;
	case HOMING_LEAVE:
		v *= fast;
		if (!closed)
			next(h, ax, i, HOMING_OFF);
		break;
	case HOMING_OFF:
		v *= gone < HOME_BACK_OFF ? fast : 0;
		most = 3 * HOME_BACK_OFF;
		if (closed)
			next(h, ax, i, HOMING_LEAVE); /* a bounce */
		else if (v == 0 && ax->v == 0)
			next(h, ax, i, HOMING_MEASURE);
		break;
	case HOMING_MEASURE:
		v *= -slow;
		most = 3 * HOME_BACK_OFF;
		if (closed) {
			/* The motor, not what it is told, stands on the edge. */
			ax->x = edge[i] + law_difference(ax->x, motor_position(i));
			motor_is_at(i, edge[i]);
			next(h, ax, i, HOMING_CLEAR);
			return true;
		}
		break;
	case HOMING_CLEAR:
		v *= slow;
		most = HOME_TOLERANCE;
		if (!closed)
			next(h, ax, i, HOMING_DONE);
		break;
	default:
		v = 0;
		most = INT32_MAX;
		break;
	}
	law_run(ax, v, ramp, t);
	return gone <= most;
}

enum homing_result homing_tick(struct homing *h, struct axis ax[AXES], uint8_t closed, const struct tick *t)
{
	enum homing_result result = HOMING_FOUND;
	uint8_t i;
	for (i = 0; i < AXES; i++) {
		if (!axis_tick(h, &ax[i], i, closed >> i & 1, t))
			return HOMING_FAILED;
		if (h->phase[i] != HOMING_DONE || ax[i].v != 0)
			result = HOMING_GOES_ON;
	}
	return result;
}

bool homing_agrees(struct homing *h, const struct axis ax[AXES], uint8_t closed)
{
	bool agrees = true;
	uint8_t i;
	for (i = 0; i < AXES; i++) {
		int32_t past = law_difference(motor_position(i), edge[i]);
		bool want = (past < 0) == (below[i] != 0);
		float speed = ax[i].v < 0 ? -ax[i].v : ax[i].v;
		if ((closed >> i & 1) == want || far(past, 0) <= HOME_TOLERANCE + (int32_t)(speed * (float)HOME_LAG_US * 1e3f))
			h->wrong[i] = 0;
		else if (++h->wrong[i] >= DISAGREEMENTS)
			agrees = false;
	}
	return agrees;
}
