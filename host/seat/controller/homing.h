/* Finds the position of each axis by its home switch, and watches afterwards that the switch agrees with it.
 *
 * The switch is closed on one whole side of its edge. So from wherever an axis stands, the switch says which way the
 * edge is: towards it fast until the switch changes; off the closed side and a little further; back slowly, and where it closes is the
 * edge; off again, where it must open. All axes do it at the same time. */
#ifndef HOMING_H
#define HOMING_H

#include "board.h"
#include "law.h"

enum homing_phase { HOMING_SEARCH, HOMING_LEAVE, HOMING_OFF, HOMING_MEASURE, HOMING_CLEAR, HOMING_DONE };

struct homing {
	uint8_t phase[AXES];
	int32_t mark[AXES];   /* where this phase began */
	int32_t most[AXES];   /* how far the edge can be */
	uint8_t wrong[AXES];  /* ticks for which the switch has disagreed */
};

enum homing_result { HOMING_GOES_ON, HOMING_FOUND, HOMING_FAILED };

/* Begins; closed has a bit for each home switch. */
void homing_begin(struct homing *h, struct axis ax[AXES], uint8_t closed);
/* One tick. */
enum homing_result homing_tick(struct homing *h, struct axis ax[AXES], uint8_t closed, const struct tick *t);
/* Once a tick while homed: false when an axis is well past its edge and the switch has not changed for a while. */
bool homing_agrees(struct homing *h, const struct axis ax[AXES], uint8_t closed);

#endif
