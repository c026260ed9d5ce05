/* Many rides in which setpoints end just while the firmware catches up with them, near the ends of the travel. Prints how
 * far past its travel an axis was told to go, nrad, and how many rides ended in motion, in a fault, or had setpoints that the firmware
 * did not come to. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "control.h"
#include "hardware.h"
#include "motor.h"

static double at[AXES], rate[AXES]; /* 1/256 step, and a tick */

int32_t steps_position(uint8_t axis) { return (int32_t)floor(at[axis]); }
void steps_rate(uint8_t axis, int32_t r) { rate[axis] = r / 256.0; }
void steps_rename(uint8_t axis, int32_t by) { at[axis] += 256.0 * by; }
void drivers_power(bool on) { (void)on; }
uint8_t uart_room(void) { return 0; }
void uart_send(const uint8_t *p, uint8_t n) { (void)p, (void)n; }

static const int32_t edge[] = {HOME_EDGE_0, HOME_EDGE_1};
static struct control c;
static uint32_t now;
static uint16_t sequence;
static double past;

static double uniform(double low, double high) { return low + (high - low) * rand() / RAND_MAX; }

static void tick(void)
{
	struct inputs in = {.supply = true};
	now++;
	for (int i = 0; i < AXES; i++) {
		at[i] += rate[i];
		in.home |= (motor_position(i) < edge[i]) << i;
	}
	control_step(&c, now, &in);
	for (int i = 0; i < AXES; i++)
		past = fmax(past, fmax((double)c.limits[i].low - c.axis[i].x, (double)c.axis[i].x - c.limits[i].high));
}

/* Setpoints for a time in s: a sine of each axis around its middle, or, where there is no frequency, one place. */
static void setpoints(double seconds, const double *far, double frequency, double dt, double *t)
{
	uint32_t each = (uint32_t)lround(dt / TICK_S);
	for (double end = *t + seconds; *t < end; *t += dt) {
		struct setpoint s;
		double w = 2 * M_PI * frequency;
		for (int i = 0; i < AXES; i++) {
			s.position[i] = (int32_t)(1e9 * far[i] * (w > 0 ? sin(w * *t) : 1));
			s.speed[i] = (int32_t)(1e6 * far[i] * w * cos(w * *t));
			s.acceleration[i] = (int16_t)(w > 0 ? -250 * w * w * s.position[i] * 1e-9 : 0);
		}
		control_setpoint(&c, ++sequence, &s);
		for (uint32_t k = 0; k < each; k++)
			tick();
	}
}

/* The quickest way to the very end of the travel that keeps all limits, the same on every axis: the brake law from the speed top, before
 * that the same backwards, and steadily on between. Gives how many setpoints that is; out has room for them. */
static int into_the_end(struct setpoint *out, double top, double dt)
{
	struct tick t = {(float)dt, (float)(1 / dt)};
	struct axis ax = c.axis[0];
	static double a[10000], at[10000], speed[10000];
	int down = 0, n = 0;
	double v = 0, x = 0, way = 0;
	ax.v = (float)top;
	ax.a = 0;
	while (ax.v != 0 || ax.a != 0) {
		double before = ax.v;
		law_brake(&ax, &t);
		a[5000 + down++] = (ax.v - before) / dt; /* at the very end it says 0 */
		way += ax.v * dt;
	}
	for (int i = down; i > 0; i--)
		a[n++] = -a[5000 + i - 1];
	for (int i = (int)((c.limits[0].high * 1e-9 - 2 * way - top * dt) / (top * dt)); i > 0; i--)
		a[n++] = 0;
	for (int i = 0; i < down; i++)
		a[n++] = a[5000 + i];
	for (int i = 0; i < n; i++) {
		v += a[i] * dt;
		x += v * dt;
		speed[i] = v;
		at[i] = x;
	}
	for (int i = 0; i < n; i++)
		for (int j = 0; j < AXES; j++) {
			out[i].position[j] = (int32_t)(c.limits[j].high + 1e9 * (at[i] - x));
			out[i].speed[j] = (int32_t)(1e6 * speed[i]);
			out[i].acceleration[j] = (int16_t)(250 * a[i]);
		}
	return n;
}

static void send(const struct setpoint *s, double dt)
{
	control_setpoint(&c, ++sequence, s);
	for (uint32_t k = (uint32_t)lround(dt / TICK_S); k > 0; k--)
		tick();
}

static void wait(double seconds)
{
	for (uint32_t k = (uint32_t)(seconds / TICK_S); k > 0; k--)
		tick();
}

int main(int argc, char **argv)
{
	int rides = argc > 1 ? atoi(argv[1]) : 1000, moving = 0, faults = 0, behind = 0;
	for (int n = 0; n < rides; n++) {
		static const double still[AXES];
		static struct setpoint way[10000];
		double t = 0, far[AXES], dt = n % 6 < 3 ? 0.002 : uniform(0.002, 0.02);
		double gap = uniform(dt, 0.095 - dt);
		control_start(&c, 1, 1, true);
		c.now = now;
		c.next = now;
		for (int i = 0; i < AXES; i++) {
			c.axis[i].x = c.limits[i].park;
			motor_is_at(i, c.axis[i].x);
			rate[i] = 0;
			far[i] = (rand() & 1 ? 1 : -1) * fmin(1, uniform(0.4, 1.2)) * c.limits[i].high * 1e-9;
		}
		c.homed = c.powered = true;
		c.state = READY;
		setpoints(0.6, still, 0, dt, &t);
		if (control_arm(&c, c.nonce, c.hash, (uint16_t)lround(dt * 1e6), false) != RESULT_OK)
			return 2;
		setpoints(0.1, still, 0, dt, &t);
		t = 0;
		if (n % 3 == 0) { /* a host that jumps from end to end */
			for (int k = 0; k < 3; k++) {
				setpoints(uniform(0.02, 0.6), far, 0, dt, &t);
				for (int i = 0; i < AXES; i++)
					far[i] = -far[i];
			}
			if (n % 2) {
				setpoints(3, far, 0, dt, &t);
				behind += c.by_itself;
			}
		} else if (n % 3 == 1) { /* a ride inside all limits, with a gap of less than 100 ms */
			double frequency = uniform(0.2, 1) * c.limits[0].speed * 1e-6 / (2 * M_PI * 1.05);
			for (int i = 0; i < AXES; i++)
				far[i] *= 0.9;
			setpoints(uniform(0.2, 2), far, frequency, dt, &t);
			wait(gap);
			t += gap;
			setpoints(uniform(0, 0.3), far, frequency, dt, &t);
		} else { /* as fast as can be to the very end, with such gaps on the way */
			int all = into_the_end(way, uniform(0.1, 1) * c.limits[0].speed * 1e-6, dt), last = (int)uniform(0, all);
			for (int k = 0; k < all; k++) {
				send(&way[k], dt);
				if (c.state != ARMED)
					return 3;
				if (uniform(0, 1) < 5.0 / all) {
					gap = uniform(dt, 0.095 - dt);
					wait(gap);
					k += (int)(gap / dt);
				}
				if (n % 2 && k >= last)
					break;
			}
			for (int k = n % 2 ? 0 : 2000; k > 0; k--)
				send(&way[all - 1], dt);
			behind += !(n % 2) && c.by_itself;
		}
		wait(1.5);
		if (c.faults)
			faults++;
		else if (c.state != HELD)
			moving++;
	}
	printf("past %.0f moving %d faults %d behind %d\n", past, moving, faults, behind);
	return 0;
}
