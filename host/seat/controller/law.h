/* How an axis moves by itself: the brake law of the link's page, catching up, and the way to the park position. */
#ifndef LAW_H
#define LAW_H

#include <stdbool.h>
#include <stdint.h>

struct axis {
	int32_t x;          /* what the motor is told, nrad or nm */
	float v, a;         /* its speed and acceleration, rad/s, rad/s² or m/s, m/s² */
	int32_t target;     /* the newest setpoint */
	float target_v, target_a;
	int32_t low, high;  /* the limits in force, nrad or nm, and SI */
	float speed, reduced, acceleration, jerk;
	float easing;       /* speed that is lost while the brake takes hold: A²/2J */
	float ticks;        /* of the step timer for each nrad or nm at the highest speed that is allowed now */
	int32_t from;       /* of the move to the park position */
};

/* x - y as far as it fits. */
int32_t law_difference(int32_t x, int32_t y);

/* A tick of dt seconds, and 1/dt: a division takes as long as four products. */
struct tick {
	float dt, per_s;
};

/* One tick on the way to rest. */
void law_brake(struct axis *ax, const struct tick *t);

/* One tick towards the newest setpoint, no faster than top, inside acceleration and travel; true when it has joined it. */
bool law_catch_up(struct axis *ax, float top, const struct tick *t);

/* How long a move from x to park takes at reduced speed, s; law_move then puts the axis where it is at part (0 to 1) of it. */
float law_move_time(const struct axis *ax, int32_t park);
void law_move(struct axis *ax, int32_t park, float part, float time);

/* One tick towards the speed v at acceleration a. */
void law_run(struct axis *ax, float v, float a, const struct tick *t);

#endif
