#include "link.h"

#include <string.h>

#include "hardware.h"

#define STATUS_EVERY TICKS_MS(10)

enum type {
	SETPOINT = 0x01,
	HELLO_REQUEST = 0x02,
	STATUS_REQUEST = 0x03,
	FIRST_COMMAND = 0x10,
	HOME = 0x10,
	ARM = 0x11,
	DISARM = 0x12,
	STOP = 0x13,
	RESET = 0x14,
	PARK = 0x15,
	LIMITS_READ = 0x16,
	LIMITS_TIGHTEN = 0x17,
	FROM_CONTROLLER = 0x80,
	HELLO = 0x81,
	STATUS = 0x82,
	RESULT = 0x83,
	LIMITS_ARE = 0x84
};

#define MOST_AXES 6
#define HELLO_LENGTH 36
#define STATUS_LENGTH (33 + 4 * AXES)
#define RESULT_LENGTH 4
#define LIMITS_LENGTH 29
#define ENCODED(length) ((length) + 5 + 2)

static uint16_t get16(const uint8_t *p)
{
	return (uint16_t)(p[0] | (uint16_t)p[1] << 8);
}

static uint32_t get32(const uint8_t *p)
{
	return get16(p) | (uint32_t)get16(p + 2) << 16;
}

static uint8_t *put16(uint8_t *p, uint16_t x)
{
	*p++ = (uint8_t)x;
	*p++ = (uint8_t)(x >> 8);
	return p;
}

static uint8_t *put32(uint8_t *p, uint32_t x)
{
	return put16(put16(p, (uint16_t)x), (uint16_t)(x >> 16));
}

/* Sends a frame if there is room for it and for spare bytes more; never waits. */
static bool send(struct link *l, uint8_t type, const uint8_t *payload, uint8_t length, uint8_t spare)
{
	uint8_t out[FRAME_MOST_ENCODED];
	if (uart_room() < ENCODED(length) + spare)
		return false;
	uart_send(out, frame_encode(out, type, ++l->sequence, payload, length));
	return true;
}

static void send_hello(struct link *l, struct control *c)
{
	static const char board[16] = BOARD_ID;
	uint8_t p[HELLO_LENGTH];
	p[0] = PROTOCOL;
	p[1] = c->state;
	p[2] = FIRMWARE_MAJOR;
	p[3] = FIRMWARE_MINOR;
	p[4] = FIRMWARE_PATCH;
	p[5] = HOMING == HOMING_BY_HAND ? 2 : 0;
	p[6] = c->reset_cause;
	p[7] = AXES_BYTE;
	put32(p + 8, c->boot_id);
	put32(p + 12, c->stored_hash);
	put32(p + 16, c->hash);
	memcpy(p + 20, board, sizeof board);
	send(l, HELLO, p, sizeof p, 0);
}

static void send_status(struct link *l, struct control *c)
{
	const uint8_t spare = 2 * ENCODED(RESULT_LENGTH); /* answers to commands come first */
	uint8_t p[STATUS_LENGTH], *q;
	uint8_t i, flags = 0;
	if (uart_room() < ENCODED(STATUS_LENGTH) + spare)
		return;
	if (c->homed)
		flags |= 1;
	if (c->in.supply)
		flags |= 2;
	if (c->state == ARMED) {
		if (c->now - c->accepted > TICKS_MS(20))
			flags |= 4;
		if (c->by_itself)
			flags |= 8;
		if (c->reduced)
			flags |= 16;
	}
	p[0] = c->state;
	p[1] = flags;
	q = put16(p + 2, c->faults);
	q = put32(q, c->boot_id);
	q = put32(q, c->nonce);
	q = put16(q, c->sequence);
	q = put16(q, l->heard);
	*q++ = c->in.alarm;
	*q++ = c->in.home;
	q = put16(q, l->decoder.crc_errors);
	q = put16(q, (uint16_t)(l->decoder.framing_errors + l->bad + l->overruns));
	q = put16(q, c->late);
	q = put16(q, c->refused);
	q = put16(q, l->loop_worst_us);
	q = put32(q, c->hash);
	*q++ = AXES_BYTE;
	for (i = 0; i < AXES; i++)
		q = put32(q, (uint32_t)c->axis[i].x);
	send(l, STATUS, p, sizeof p, spare);
	l->loop_worst_us = 0;
	l->told_state = c->state;
	l->told_faults = c->faults;
	l->next_status = c->now + STATUS_EVERY;
	l->status_wanted = false;
}

static void send_limits(struct link *l, const struct control *c, uint8_t axis)
{
	uint8_t p[LIMITS_LENGTH];
	p[0] = axis;
	memcpy(p + 1, &c->limits[axis], sizeof c->limits[axis]);
	send(l, LIMITS_ARE, p, sizeof p, 0);
}

/* The length and values that each type asks for. */
static bool well_formed(const struct frame *f)
{
	const uint8_t *p = f->payload;
	uint8_t n = f->length, axes;
	switch (f->type) {
	case SETPOINT:
		axes = p[0] & 0x0F;
		return n > 0 && !(p[0] & 0xE0) && axes >= 1 && axes <= MOST_AXES && n == 1 + 10 * axes;
	case HELLO_REQUEST:
		return n == 2;
	case ARM:
		return n == 11 && p[10] <= 1;
	case LIMITS_READ:
		return n == 1 && p[0] < MOST_AXES;
	case LIMITS_TIGHTEN:
		return n == LIMITS_LENGTH && p[0] < MOST_AXES;
	case STATUS_REQUEST:
	case HOME:
	case DISARM:
	case STOP:
	case RESET:
	case PARK:
		return n == 0;
	default:
		return true;
	}
}

static void take_setpoint(struct control *c, const struct frame *f)
{
	struct setpoint s;
	const uint8_t *p = f->payload;
	uint8_t i;
	if (*p++ != AXES_BYTE) {
		c->refused++;
		return;
	}
	for (i = 0; i < AXES; i++, p += 10) {
		s.position[i] = (int32_t)get32(p);
		s.speed[i] = (int32_t)get32(p + 4);
		s.acceleration[i] = (int16_t)get16(p + 8);
	}
	control_setpoint(c, f->sequence, &s);
}

static uint8_t command(struct control *c, const struct frame *f)
{
	const uint8_t *p = f->payload;
	struct limits limits;
	switch (f->type) {
	case STATUS_REQUEST:
		return RESULT_OK;
	case HOME:
		return control_home(c);
	case ARM:
		return control_arm(c, get32(p), get32(p + 4), get16(p + 8), p[10] == 1);
	case DISARM:
		return control_disarm(c);
	case STOP:
		return control_stop(c);
	case RESET:
		return control_reset(c);
	case PARK:
		return control_park(c);
	case LIMITS_READ:
		return RESULT_VALUE;
	case LIMITS_TIGHTEN:
		memcpy(&limits, p + 1, sizeof limits);
		return control_tighten(c, p[0], &limits);
	default:
		return RESULT_UNKNOWN;
	}
}

void link_obey(struct link *l, struct control *c, const struct frame *f)
{
	uint8_t p[RESULT_LENGTH];
	l->heard = f->sequence;
	if (!well_formed(f)) {
		l->bad++;
		return;
	}
	switch (f->type) {
	case SETPOINT:
		take_setpoint(c, f);
		return;
	case HELLO_REQUEST:
		control_hello(c);
		send_hello(l, c);
		return;
	case LIMITS_READ:
		if (f->payload[0] < AXES) {
			send_limits(l, c, f->payload[0]);
			return;
		}
		break;
	case STATUS_REQUEST:
	case ARM:
	case LIMITS_TIGHTEN:
		l->status_wanted = true;
		break;
	default:
		if (f->type < FIRST_COMMAND || f->type >= FROM_CONTROLLER)
			return;
		break;
	}
	p[0] = f->type;
	put16(p + 1, f->sequence);
	p[3] = command(c, f);
	send(l, RESULT, p, sizeof p, 0);
}

void link_start(struct link *l, struct control *c)
{
	static const uint8_t into_step = 0;
	memset(l, 0, sizeof *l);
	uart_send(&into_step, 1);
	send_hello(l, c);
	l->status_wanted = true;
}

void link_step(struct link *l, struct control *c)
{
	if (l->status_wanted || c->state != l->told_state || c->faults != l->told_faults || (int32_t)(c->now - l->next_status) >= 0)
		send_status(l, c);
}
