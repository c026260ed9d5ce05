/* The conversation: frames in, what they ask for, frames out. */
#ifndef LINK_H
#define LINK_H

#include "control.h"
#include "frame.h"

#define PROTOCOL 1
#define FIRMWARE_MAJOR 1
#define FIRMWARE_MINOR 0
#define FIRMWARE_PATCH 0

struct link {
	struct frame_decoder decoder;
	uint16_t sequence;      /* of the last frame sent */
	uint16_t heard;         /* of the last right frame */
	uint16_t bad;           /* right frames with a payload that is none */
	uint16_t overruns;      /* bytes that the receiver lost: main.c */
	uint16_t loop_worst_us; /* since the last STATUS: main.c */
	uint8_t told_state;
	uint16_t told_faults;
	uint32_t next_status;
	bool status_wanted;
};

/* Sends the first HELLO. */
void link_start(struct link *l, struct control *c);
/* Does what a frame from the host asks for. */
void link_obey(struct link *l, struct control *c, const struct frame *f);
/* Sends STATUS where it is due and there is room for it. */
void link_step(struct link *l, struct control *c);

#endif
