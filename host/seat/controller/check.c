/* The builder's numbers, looked at while compiling. Makes no code. */
#include "board.h"

_Static_assert(AXES == 1 || AXES == 2, "AXES: 1 or 2");
_Static_assert(sizeof BOARD_ID >= 2 && sizeof BOARD_ID <= 17, "BOARD_ID: 1 to 16 characters");
_Static_assert(HOMING == HOMING_SWITCHES || HOMING == HOMING_BY_HAND, "HOMING: HOMING_SWITCHES or HOMING_BY_HAND");
/* What 16 MHz makes of it, as in uart.c. */
#define BAUD_IS (16000000UL / 8 / ((16000000UL + 4 * BAUD) / (8 * BAUD)))
_Static_assert(BAUD <= 1000000UL && BAUD_IS * 100 >= BAUD * 98 && BAUD_IS * 100 <= BAUD * 102, "BAUD: more than 2 % off what 16 MHz can give; 250000 and 500000 are exact");

/* Steps a second at v µrad/s, of n steps a turn; or at v µm/s, of n steps a metre. */
#define STEP_RATE(n, v) (METRES ? (n) * (int64_t)(v) / 1000000 : (n) * (int64_t)(v) / 6283185)

#undef LIMITS
#define LIMITS(low, high, park, v, reduced, a, j) ((low) <= (park) && (park) <= (high) && (low) < (high) && 0 < (reduced) && (reduced) <= (v) && 0 < (a) && 0 < (j))
_Static_assert(LIMITS_0, "LIMITS_0: low <= park <= high, low < high, 0 < reduced speed <= speed, the rest above 0");
#if AXES > 1
_Static_assert(LIMITS_1, "LIMITS_1: low <= park <= high, low < high, 0 < reduced speed <= speed, the rest above 0");
#endif

#undef LIMITS
#define WIDE(x) (METRES ? FROM_LENGTH(x, 1000LL, 1LL) : FROM_ANGLE(x, 1000000LL))
#define LIMITS(low, high, park, v, reduced, a, j) (WIDE(low) > -2130000000LL + HOME_BEYOND && WIDE(high) < 2130000000LL - HOME_BEYOND)
_Static_assert(LIMITS_0, "LIMITS_0: with HOME_BEYOND the travel is more than the link can say, 2.147 rad or m");
#if AXES > 1
_Static_assert(LIMITS_1, "LIMITS_1: with HOME_BEYOND the travel is more than the link can say, 2.147 rad or m");
#endif

#undef LIMITS
#define LIMITS(low, high, park, v, reduced, a, j) (STEP_RATE(STEPS, SPEED(v)) <= 20000)
#define STEPS STEPS_PER_TURN_0
_Static_assert(LIMITS_0, "LIMITS_0: the speed is more than 20000 steps a second; fewer steps a turn, or less speed");
#undef STEPS
#if AXES > 1
#define STEPS STEPS_PER_TURN_1
_Static_assert(LIMITS_1, "LIMITS_1: the speed is more than 20000 steps a second; fewer steps a turn, or less speed");
#endif

#undef LIMITS
#if HOMING == HOMING_SWITCHES
#define LIMITS(low, high, park, v, reduced, a, j) (POSITION(low) < PLACE && PLACE < POSITION(high))
#define PLACE HOME_EDGE_0
_Static_assert(LIMITS_0, "HOME_EDGE_0: not inside the travel");
#undef PLACE
#if AXES > 1
#define PLACE HOME_EDGE_1
_Static_assert(LIMITS_1, "HOME_EDGE_1: not inside the travel");
#endif
_Static_assert(HOME_SLOW <= HOME_FAST, "HOME_SLOW: faster than HOME_FAST");
#else
#define LIMITS(low, high, park, v, reduced, a, j) (POSITION(low) <= PLACE && PLACE <= POSITION(high))
#define PLACE LEVEL_0
_Static_assert(LIMITS_0, "LEVEL_0: not inside the travel");
#undef PLACE
#if AXES > 1
#define PLACE LEVEL_1
_Static_assert(LIMITS_1, "LEVEL_1: not inside the travel");
#endif
#endif
