#include "law.h"

#include <math.h>

static float clamp(float x, float most)
{
	return x > most ? most : x < -most ? -most : x;
}

static int32_t sum(int32_t x, int32_t y)
{
	int32_t s;
	if (__builtin_add_overflow(x, y, &s))
		return x < 0 ? INT32_MIN : INT32_MAX;
	return s;
}

int32_t law_difference(int32_t x, int32_t y)
{
	int32_t d;
	if (__builtin_sub_overflow(x, y, &d))
		return x < 0 ? INT32_MIN + 1 : INT32_MAX;
	return d;
}

/* m or rad to the nearest nm or nrad. */
static int32_t nano(float x)
{
	x *= 1e9f;
	if (x >= 2147483500.0f)
		return INT32_MAX;
	if (x <= -2147483500.0f)
		return -INT32_MAX;
	return (int32_t)(x < 0 ? x - 0.5f : x + 0.5f);
}

void law_brake(struct axis *ax, const struct tick *t)
{
	float dt = t->dt;
	/* The largest deceleration from which a release at full jerk ends with speed and acceleration zero together:
	 * releasing u, u-d, u-2d, ... changes v by dt ((n+1) u - d n (n+1)/2). */
	float d = ax->jerk * dt;
	float w = fabsf(ax->v) * t->per_s;
	float n = floorf((sqrtf(1 + 8 * w / d) - 1) * 0.5f);
	float u = (w + d * n * (n + 1) * 0.5f) / (n + 1);
	float b = clamp(ax->v > 0 ? -u : u, ax->acceleration);

	if (ax->v == 0 && ax->a == 0)
		return;
	if (b > ax->a + d)
		b = ax->a + d;
	if (b < ax->a - d)
		b = ax->a - d;
	ax->a = b;
	ax->v = clamp(ax->v + b * dt, ax->speed * 1.001f);
	if (fabsf(ax->v) < 1e-9f && fabsf(ax->a) <= d)
		ax->v = ax->a = 0;
	ax->x = sum(ax->x, nano(ax->v * dt));
}

bool law_catch_up(struct axis *ax, float top, const struct tick *t)
{
	float dt = t->dt;
	float e = (float)law_difference(ax->target, ax->x) * 1e-9f;
	float far = fabsf(e), A = ax->acceleration;
	float ease = ax->easing + A * dt;
	float want, edge, a, most;
	int32_t x;

	if (far <= A * dt * dt && fabsf(ax->target_v - ax->v) <= A * dt) {
		ax->x = ax->target;
		ax->v = ax->target_v;
		ax->a = ax->target_a;
		return true;
	}
	/* Faster than the setpoint by what can be braked away again at half the acceleration: the other half is the setpoint's. */
	want = 0.5f * far * t->per_s; /* square roots only where they bind */
	if (want * want > A * far)
		want = sqrtf(A * far);
	want = clamp(ax->target_v + (e < 0 ? -want : want), top);
	/* From the end of this tick it can brake before the end of the travel: from no acceleration that takes v²/2A + v A/2J at the most. */
	edge = (float)(want < 0 ? law_difference(ax->x, ax->low) : law_difference(ax->high, ax->x)) * 1e-9f;
	edge = edge > 0 ? 2 * A * edge : 0;
	if (fabsf(want) * (fabsf(want) + 2 * ease) > edge)
		want = clamp(want, edge / (sqrtf(ease * ease + edge) + ease));
	a = clamp((want - ax->v) * t->per_s, A);
	ax->v += a * dt;
	/* Nothing here bounds jerk, so where it ends the brake begins from a deceleration that ends with the speed, or from none. One
	 * that it had to take back first, at its own jerk, would carry the axis past the end, or the other way. */
	ax->a = 0;
	if (a * ax->v < 0) {
		most = sqrtf(2 * ax->jerk * fabsf(ax->v)) - 0.25f * ax->jerk * dt;
		ax->a = most > 0 ? clamp(a, most) : 0;
	}
	x = sum(ax->x, nano(ax->v * dt));
	if (x < ax->low || x > ax->high) {
		x = x < ax->low ? ax->low : ax->high;
		ax->v = (float)law_difference(x, ax->x) * 1e-9f * t->per_s;
	}
	ax->x = x;
	return false;
}

float law_move_time(const struct axis *ax, int32_t park)
{
	/* Peaks of 10 p³ - 15 p⁴ + 6 p⁵ over the time t: speed 1.875/t, acceleration 5.774/t², jerk 60/t³. */
	float far = fabsf((float)law_difference(park, ax->x)) * 1e-9f;
	float t = 1.875f * far / ax->reduced;
	float ta = sqrtf(5.774f * far / ax->acceleration);
	float tj = cbrtf(60 * far / ax->jerk);
	if (ta > t)
		t = ta;
	return tj > t ? tj : t;
}

void law_move(struct axis *ax, int32_t park, float p, float time)
{
	float far = (float)law_difference(park, ax->from) * 1e-9f;
	float q = 1 - p;
	if (p >= 1) {
		ax->x = park;
		ax->v = ax->a = 0;
		return;
	}
	ax->x = sum(ax->from, nano(far * p * p * p * (10 + p * (6 * p - 15))));
	ax->v = far * 30 * p * p * q * q / time;
	ax->a = far * 60 * p * q * (q - p) / (time * time);
}

void law_run(struct axis *ax, float v, float a, const struct tick *t)
{
	float dt = t->dt;
	ax->a = clamp((v - ax->v) * t->per_s, a);
	ax->v = fabsf(v - ax->v) <= a * dt ? v : ax->v + ax->a * dt;
	ax->x = sum(ax->x, nano(ax->v * dt));
}
