/* Reads the frames of a ride and, for each of their bits, gives the firmware's decoder the frame with that bit wrong and the
 * frames after it as they are. Prints how many were taken that nobody sent, and how many right ones were lost that need not be. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "frame.h"

static unsigned char *all;
static size_t size, *begin, frames;

static int same(const struct frame *f, const struct frame *g)
{
	return f->type == g->type && f->sequence == g->sequence && f->length == g->length && !memcmp(f->payload, g->payload, f->length);
}

/* Decodes frame k by itself. */
static void right(struct frame_decoder *d, size_t k, struct frame *out)
{
	memset(d, 0, sizeof *d);
	for (size_t i = begin[k]; i < begin[k + 1]; i++)
		if (frame_decode(d, all[i], out))
			return;
	fprintf(stderr, "frame %zu of the ride is none\n", k);
	exit(2);
}

int main(void)
{
	size_t room = 1 << 20;
	all = malloc(room);
	for (size_t n; (n = fread(all + size, 1, room - size, stdin)) > 0;) {
		size += n;
		if (size == room)
			all = realloc(all, room *= 2);
	}
	begin = malloc((size + 1) * sizeof *begin);
	begin[0] = 0;
	for (size_t i = 0; i < size; i++)
		if (!all[i])
			begin[++frames] = i + 1;

	long tried = 0, foreign = 0, setpoints = 0, lost = 0;
	for (size_t k = 0; k + 2 < frames; k++) {
		struct frame_decoder first, second;
		struct frame next, after;
		right(&first, k + 1, &next);
		right(&second, k + 2, &after);
		for (size_t bit = 0; bit < 8 * (begin[k + 1] - begin[k]); bit++) {
			size_t at = begin[k] + bit / 8;
			struct frame_decoder d = {0};
			struct frame f;
			int got_next = 0, got_after = 0, delimiter = at + 1 == begin[k + 1];
			size_t end = begin[k + (delimiter ? 3 : 2)];
			all[at] ^= 1 << bit % 8;
			for (size_t i = begin[k]; i < end; i++) {
				if (!frame_decode(&d, all[i], &f))
					continue;
				if (same(&f, &next))
					got_next = 1;
				else if (same(&f, &after))
					got_after = 1;
				else {
					foreign++;
					setpoints += f.type == 1 && f.length == 21 && f.payload[0] == 2;
				}
			}
			all[at] ^= 1 << bit % 8;
			tried++;
			lost += delimiter ? !got_after : !got_next; /* a wrong 0x00 takes the next frame along */
		}
	}
	printf("tried %ld foreign %ld setpoints %ld lost %ld\n", tried, foreign, setpoints, lost);
	return 0;
}
