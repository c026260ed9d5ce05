#include "frame.h"

uint16_t frame_crc(uint16_t crc, uint8_t byte)
{
	/* The polynomial 0x1021 a byte at a time, without a table. */
	crc = (uint16_t)((crc >> 8) | (crc << 8));
	crc ^= byte;
	crc ^= (uint8_t)((uint8_t)crc >> 4);
	crc ^= (uint16_t)(crc << 12);
	crc ^= (uint16_t)((crc & 0xFF) << 5);
	return crc;
}

/* Decodes COBS in its own front; 0 where it is none. No frame is that short, so 0 is free. */
static uint8_t unstuff(uint8_t *p, uint8_t n)
{
	uint8_t in = 0, out = 0;
	while (in < n) {
		uint8_t code = p[in];
		uint8_t end = (uint8_t)(in + code);
		if (code == 0 || code > n - in)
			return 0;
		while (++in < end)
			p[out++] = p[in];
		if (in < n)
			p[out++] = 0; /* codes of 255 do not fit a frame of the link */
	}
	return out;
}

static bool whole(struct frame_decoder *d, uint8_t n, struct frame *out)
{
	uint8_t *p = d->bytes;
	uint8_t i;
	uint16_t crc = 0xFFFF;

	n = unstuff(p, n);
	if (n < 5) {
		d->framing_errors++;
		return false;
	}
	n = (uint8_t)(n - 2);
	for (i = 0; i < n; i++)
		crc = frame_crc(crc, p[i]);
	if (crc != (uint16_t)(p[n] | (uint16_t)p[n + 1] << 8)) {
		d->crc_errors++;
		return false;
	}
	out->type = p[0];
	out->sequence = (uint16_t)(p[1] | (uint16_t)p[2] << 8);
	out->payload = p + 3;
	out->length = (uint8_t)(n - 3);
	return true;
}

bool frame_decode(struct frame_decoder *d, uint8_t byte, struct frame *out)
{
	uint8_t n = d->n;
	bool skip = d->skip;

	if (byte != 0) {
		if (n < sizeof d->bytes)
			d->bytes[d->n++] = byte;
		else
			d->skip = true;
		return false;
	}
	d->n = 0;
	d->skip = false;
	if (skip) {
		d->framing_errors++;
		return false;
	}
	return n != 0 && whole(d, n, out); /* a lone 0x00 is how a sender gets us into step */
}

struct stuffer {
	uint8_t *out;
	uint8_t code; /* where the code of this piece is */
	uint8_t n;
	uint16_t crc;
};

static void stuff(struct stuffer *s, uint8_t byte)
{
	s->crc = frame_crc(s->crc, byte);
	if (byte == 0) {
		s->out[s->code] = (uint8_t)(s->n - s->code);
		s->code = s->n++;
		return;
	}
	s->out[s->n++] = byte;
}

uint8_t frame_encode(uint8_t *out, uint8_t type, uint16_t sequence, const uint8_t *payload, uint8_t length)
{
	struct stuffer s = {out, 0, 1, 0xFFFF};
	uint16_t crc;
	uint8_t i;

	stuff(&s, type);
	stuff(&s, (uint8_t)sequence);
	stuff(&s, (uint8_t)(sequence >> 8));
	for (i = 0; i < length; i++)
		stuff(&s, payload[i]);
	crc = s.crc;
	stuff(&s, (uint8_t)crc);
	stuff(&s, (uint8_t)(crc >> 8));
	out[s.code] = (uint8_t)(s.n - s.code);
	out[s.n++] = 0;
	return s.n;
}
