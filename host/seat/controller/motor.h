/* Makes the step rates from what each axis is told. */
#ifndef MOTOR_H
#define MOTOR_H

#include "law.h"

/* Once for each new x: the motor follows x one period behind, as a line drawn through the setpoints would, but late or
 * early frames only bend its speed a little: a fourth of the error is made up in a period. Errors do not add up, since each
 * is measured from where the motor stands. */
void motor_follow(uint8_t axis, const struct axis *ax, float gain);
/* The gain for a period. */
float motor_gain(uint16_t period_ticks);
/* No more steps on this axis. */
void motor_cut(uint8_t axis);
/* The motor stands where x says from now on, to half a step; it does not move. */
void motor_is_at(uint8_t axis, int32_t x);
/* Where the motor stands, nrad or nm. */
int32_t motor_position(uint8_t axis);

#endif
