/* The parts of the processor that only main.c calls. */
#ifndef AVR_H
#define AVR_H

#include "control.h"

void steps_start(void);
void steps_heard(void); /* every 10 ms at least, or the motors brake */
uint32_t steps_ticks(void);

void uart_start(void);
bool uart_byte(uint8_t *byte);
uint8_t uart_lost(void); /* wraps */

void pins_start(void);
void pins_first(struct inputs *in); /* at once */
void pins_read(struct inputs *in);  /* every ms, filtered */
void pins_lamp(bool on);

uint8_t boot_cause(void);
uint32_t boot_id(void);

#endif
