#include "limits.h"

#include <string.h>

#ifdef __AVR__
#include <avr/pgmspace.h>
#else
#define PROGMEM
#define memcpy_P memcpy
#endif

static const struct limits stored[AXES] PROGMEM = {
	LIMITS_0,
#if AXES > 1
	LIMITS_1,
#endif
};

void limits_stored(struct limits out[AXES])
{
	memcpy_P(out, stored, sizeof stored);
}

bool limits_valid(const struct limits *l)
{
	/* The searches of homing and the slack of the tests must not wrap either. */
	const int32_t most = INT32_MAX - HOME_BEYOND - 10000000;
	return l->low <= l->park && l->park <= l->high && l->low < l->high && l->low >= -most && l->high <= most && l->speed > 0 &&
	       l->reduced > 0 && l->reduced <= l->speed && l->acceleration > 0 && l->jerk > 0;
}

bool limits_within(const struct limits *l, const struct limits *outer)
{
	return l->low >= outer->low && l->high <= outer->high && l->park == outer->park && l->speed <= outer->speed &&
	       l->reduced <= outer->reduced && l->acceleration <= outer->acceleration && l->jerk <= outer->jerk;
}

/* CRC-32/ISO-HDLC of one more byte. */
static uint32_t crc32(uint32_t crc, uint8_t byte)
{
	uint8_t i;
	crc ^= byte;
	for (i = 0; i < 8; i++)
		crc = crc & 1 ? crc >> 1 ^ 0xEDB88320UL : crc >> 1;
	return crc;
}

uint32_t limits_hash(const struct limits l[AXES])
{
	const uint8_t *p = (const uint8_t *)l;
	uint32_t crc = crc32(0xFFFFFFFFUL, AXES_BYTE);
	uint8_t i;
	for (i = 0; i < AXES * sizeof *l; i++)
		crc = crc32(crc, p[i]);
	return ~crc;
}
