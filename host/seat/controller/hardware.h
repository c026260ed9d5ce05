/* What the portable part asks of the processor. steps.c, uart.c and pins.c are it on the AVR. */
#ifndef HARDWARE_H
#define HARDWARE_H

#include <stdbool.h>
#include <stdint.h>

/* The step timer's period: 25 kHz. All times are counted in it. */
#define TICK_US 40
#define TICKS_MS(ms) ((uint32_t)(ms) * 1000 / TICK_US)
#define TICK_S 40e-6f

/* Where the motor of an axis stands, 1/256 step. */
int32_t steps_position(uint8_t axis);
/* How fast it goes, 2^-16 step a tick, from -65535 to 65535. */
void steps_rate(uint8_t axis, int32_t rate);
/* Calls the place where it stands by another number, whole steps away; nothing moves. */
void steps_rename(uint8_t axis, int32_t by);
/* Powers the drivers, or lets them go. */
void drivers_power(bool on);

/* Free bytes in the send buffer; send puts them there, and is only asked for what fits. */
uint8_t uart_room(void);
void uart_send(const uint8_t *p, uint8_t n);

#endif
