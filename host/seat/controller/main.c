/* A seat controller: STEP and DIR for two closed-loop stepper drivers, on an 8-bit AVR at 16 MHz. README.md says how. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "avr.h"
#include "board.h"
#include "hardware.h"
#include "link.h"

static struct control control;
static struct link line;

/* Microseconds of the step timer, for how long the main loop takes. */
static uint32_t now_us(void)
{
	uint32_t t;
	uint8_t part;
	do {
		t = steps_ticks();
		part = TCNT2;
	} while (t != steps_ticks());
	return t * TICK_US + part / 2;
}

static void lamp(const struct control *c)
{
	pins_lamp(c->faults ? c->now >> 13 & 1 : c->homed); /* blinks every 0.33 s */
}

int main(void)
{
	struct inputs in;
	struct frame frame;
	uint32_t now = 0, inputs_at = 0, before;
	uint8_t lost = 0;

	pins_start();
	steps_start();
	uart_start();
	pins_first(&in);
	control_start(&control, boot_id(), boot_cause(), in.supply);
	sei();
	link_start(&line, &control);
	wdt_enable(WDTO_120MS);
	SMCR = 1 << SE; /* idle: timers and the line go on */

	before = now_us();
	for (;;) {
		uint8_t byte, most = FRAME_MOST_ENCODED; /* a flood at a high baud rate must not keep it here */
		uint32_t us;

		wdt_reset();
		steps_heard();
		now = steps_ticks();
		if ((int32_t)(now - inputs_at) >= 0) {
			inputs_at = now + TICKS_MS(1);
			pins_read(&in);
			lamp(&control);
		}
		control_step(&control, now, &in);
		while (most-- && uart_byte(&byte))
			if (frame_decode(&line.decoder, byte, &frame)) {
				link_obey(&line, &control, &frame);
				break; /* one frame, then time again */
			}
		line.overruns = (uint16_t)(line.overruns + (uint8_t)(uart_lost() - lost));
		lost = uart_lost();
		link_step(&line, &control);

		us = now_us() - before;
		if (us > line.loop_worst_us)
			line.loop_worst_us = us > 0xFFFF ? 0xFFFF : (uint16_t)us;
		sleep_cpu(); /* the step timer wakes it */
		before = now_us();
	}
}
