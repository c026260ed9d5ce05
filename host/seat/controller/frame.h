/* Frames of the seat link: COBS(type, sequence, payload, CRC) and a 0x00. proto/seatlink/README.md is the law. */
#ifndef FRAME_H
#define FRAME_H

#include <stdbool.h>
#include <stdint.h>

#define FRAME_MOST_RAW 80                        /* type, sequence, payload, CRC */
#define FRAME_MOST_PAYLOAD (FRAME_MOST_RAW - 5)
#define FRAME_MOST_ENCODED (FRAME_MOST_RAW + 2)  /* with its code byte and its 0x00 */

/* CRC-16/IBM-3740 of one more byte; begin with 0xFFFF. */
uint16_t frame_crc(uint16_t crc, uint8_t byte);

struct frame {
	uint8_t type;
	uint16_t sequence;
	const uint8_t *payload; /* valid until the decoder's next byte */
	uint8_t length;
};

struct frame_decoder {
	uint8_t bytes[FRAME_MOST_RAW + 1];
	uint8_t n;
	bool skip; /* too long: skip to the next 0x00 */
	uint16_t crc_errors;
	uint16_t framing_errors; /* COBS, too long, too short */
};

/* A 0x00 came: true when it ended a right frame. */
bool frame_end(struct frame_decoder *d, struct frame *out);

/* Takes one byte; true when it ended a right frame. All zeros is a decoder that is ready. */
static inline bool frame_decode(struct frame_decoder *d, uint8_t byte, struct frame *out)
{
	if (byte == 0)
		return frame_end(d, out);
	if (d->n < sizeof d->bytes)
		d->bytes[d->n++] = byte;
	else
		d->skip = true;
	return false;
}

/* Writes a whole frame, delimiter included, and gives its length. out holds FRAME_MOST_ENCODED bytes. */
uint8_t frame_encode(uint8_t *out, uint8_t type, uint16_t sequence, const uint8_t *payload, uint8_t length);

#endif
