/* The controller's states: what moves when, and what stops it. proto/seatlink/README.md is the law.
 *
 * It is told the time, the inputs and the frames, and moves the motors; it never waits. */
#ifndef CONTROL_H
#define CONTROL_H

#include <stdbool.h>
#include <stdint.h>

#include "frame.h"
#include "homing.h"
#include "law.h"
#include "limits.h"

enum state { BOOT, DISARMED, HOMING_NOW, READY, ARMED, STOPPING, HELD, PARKING, FAULT, SUPPLY_OFF };

enum fault {
	FAULT_ALARM = 1 << 0,
	FAULT_TRAVEL = 1 << 1,
	FAULT_HOMING = 1 << 2,
	FAULT_EDGE = 1 << 3,
	FAULT_SUPPLY = 1 << 4,
	FAULT_PROCESSOR = 1 << 5,
	FAULT_LIMITS = 1 << 6,
	FAULT_LINK = 1 << 7
};

enum reset_cause { RESET_UNKNOWN, RESET_POWER, RESET_PIN, RESET_BROWN_OUT, RESET_WATCHDOG, RESET_SOFTWARE };

enum result {
	RESULT_OK,
	RESULT_STATE,
	RESULT_NONCE,
	RESULT_HASH,
	RESULT_STALE,
	RESULT_FAR,
	RESULT_VALUE,
	RESULT_NOT_HOMED,
	RESULT_CAUSE,
	RESULT_UNKNOWN
};

struct inputs {
	uint8_t home, over, alarm; /* a bit for each axis: closed, pressed, alarmed */
	bool supply;               /* present */
};

/* A setpoint as it came, in the link's units. */
struct setpoint {
	int32_t position[AXES];
	int32_t speed[AXES];
	int16_t acceleration[AXES];
};

struct control {
	struct axis axis[AXES];
	struct limits limits[AXES]; /* in force */
	uint32_t stored_hash, hash;
	struct inputs in;

	uint32_t now; /* ticks of the step timer; wraps, so only differences of less than a day count */
	uint8_t state;
	uint16_t faults;
	uint8_t cut; /* axes whose driver is in alarm: no more steps */
	bool homed, reduced, powered;
	bool damaged; /* the limits are not what they were */
	bool free; /* the drivers have been off since the position was last known */

	uint32_t boot_id, nonce, random;
	uint8_t reset_cause;

	uint16_t period;    /* between setpoints, ticks */
	struct tick tick;   /* the same, s */
	struct tick tick_2; /* two of them */
	float gain;         /* of the motors, for that period */
	uint32_t accepted;  /* when the newest setpoint was, if known */
	bool known;         /* one was accepted within the last 100 ms */
	bool fresh_hello;   /* the next setpoint advances whatever its number */
	uint32_t steady;    /* since when they have come without a gap */
	bool long_steady;   /* that is more than 0.5 s */
	uint16_t sequence;  /* of the last accepted one */
	bool by_itself;     /* braking or catching up */
	float credit;       /* time that the next step may use, ticks */
	uint32_t next;      /* tick of its own law */
	uint32_t watch;     /* next look at the home switches */
	uint8_t after_rest; /* state after STOPPING */

	struct homing homing;
	bool searching;      /* homing has begun to look for the edges */
	bool level_known;    /* homing by hand keeps the position that it has */
	bool to_park;        /* homing has found the edge and goes to the park position */
	uint32_t move_start; /* of the move to the park position, or of the wait for the drivers */
	float move_time;     /* s */

	uint32_t loss[2]; /* when the link was lost before */
	uint8_t losses;

	uint16_t late, refused;
};

void control_start(struct control *c, uint32_t boot_id, uint8_t reset_cause, bool supply);
/* Everything that is due now. */
void control_step(struct control *c, uint32_t now, const struct inputs *in);

/* What frames ask for, at the time of the last step. */
void control_setpoint(struct control *c, uint16_t sequence, const struct setpoint *s);
uint8_t control_arm(struct control *c, uint32_t nonce, uint32_t hash, uint16_t period_us, bool reduced);
uint8_t control_home(struct control *c);
uint8_t control_park(struct control *c);
uint8_t control_reset(struct control *c);
uint8_t control_stop(struct control *c);
uint8_t control_disarm(struct control *c);
uint8_t control_tighten(struct control *c, uint8_t axis, const struct limits *l);
void control_hello(struct control *c); /* a HELLO_REQUEST came */

#endif
