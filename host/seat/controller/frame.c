#include "frame.h"

/* The polynomial 0x1021 a byte at a time, in steps that an 8-bit processor does in one. */
static inline uint16_t crc_of(uint16_t crc, uint8_t byte)
{
	uint8_t high = (uint8_t)(crc >> 8), low = (uint8_t)crc;
	high ^= byte;
	high ^= high >> 4;
	low ^= (uint8_t)(high << 4) ^ (uint8_t)(high >> 3);
	return (uint16_t)((uint16_t)low << 8 | (uint8_t)(high ^ (uint8_t)(high << 5)));
}

uint16_t frame_crc(uint16_t crc, uint8_t byte)
{
	return crc_of(crc, byte);
}

/* Decodes COBS in its own front; 0 where it is none. No frame is that short, so 0 is free. */
static uint8_t unstuff(uint8_t *p, uint8_t n)
{
	uint8_t *in = p, *out = p, *end = p + n;
	while (in < end) {
		uint8_t code = *in++;
		if (code == 0 || code - 1 > end - in)
			return 0;
		while (--code)
			*out++ = *in++;
		if (in < end)
			*out++ = 0; /* codes of 255 do not fit a frame of the link */
	}
	return (uint8_t)(out - p);
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
		crc = crc_of(crc, p[i]);
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

bool frame_end(struct frame_decoder *d, struct frame *out)
{
	uint8_t n = d->n;
	bool skip = d->skip;

	d->n = 0;
	d->skip = false;
	if (skip) {
		d->framing_errors++;
		return false;
	}
	return n != 0 && whole(d, n, out); /* a lone 0x00 is how a sender gets us into step */
}

uint8_t frame_encode(uint8_t *out, uint8_t type, uint16_t sequence, const uint8_t *payload, uint8_t length)
{
	uint8_t *code = out, *to = out + 1;
	uint8_t head[3] = {type, (uint8_t)sequence, (uint8_t)(sequence >> 8)}, tail[2];
	const uint8_t *part = head;
	uint8_t left = sizeof head, parts = 3;
	uint16_t crc = 0xFFFF;

	for (;;) {
		while (left--) {
			uint8_t byte = *part++;
			crc = crc_of(crc, byte);
			if (byte == 0) {
				*code = (uint8_t)(to - code);
				code = to++;
			} else {
				*to++ = byte;
			}
		}
		if (--parts == 0)
			break;
		if (parts == 2) {
			part = payload;
			left = length;
		} else {
			tail[0] = (uint8_t)crc;
			tail[1] = (uint8_t)(crc >> 8);
			part = tail;
			left = sizeof tail;
		}
	}
	*code = (uint8_t)(to - code);
	*to++ = 0;
	return (uint8_t)(to - out);
}
