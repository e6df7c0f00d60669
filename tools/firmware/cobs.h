/*
 * Frames on a line of bytes: COBS (consistent overhead byte stuffing), so that a zero byte stands between frames only.
 *
 * Freestanding, bounded, and in step again at the next zero whatever came before it. A last block of exactly 254 bytes
 * without a zero is sent without a code byte behind it; both forms are taken. What it does not: tell a damaged frame
 * from a whole one; what is damaged is handed on, so that the codec refuses and the client counts it. Start reading at
 * ps_cobs_take.
 */
#ifndef PLANTSTAND_COBS_H
#define PLANTSTAND_COBS_H

#include "frame.h"

/* Room for a frame of so many bytes on the line, with a zero before and behind it. */
#define PS_COBS_ROOM(bytes) ((bytes) + (bytes) / 254 + 3)

/* What has come of the frame that is on its way. All zero is a good start. */
struct ps_cobs {
    uint8_t frame[PS_FRAME_BYTES_MAX + 1]; /* a byte more than the longest frame: what is longer is seen to be */
    size_t used;
    uint8_t left;      /* bytes of the block that are still to come */
    bool zero_due;     /* a zero stands behind the block, unless the frame ends there */
    bool is_complete;  /* the frame was handed on; the next byte begins another */
};

/* Takes one byte from the line. Returns the length of the frame in `cobs->frame` when this byte ended one, else 0. */
size_t ps_cobs_take(struct ps_cobs *cobs, uint8_t byte);

/* Writes the frame as it goes on the line, a zero before and behind it, and says how many bytes that takes. `line` has
 * PS_COBS_ROOM(length) bytes. */
size_t ps_cobs_put(uint8_t *line, const uint8_t *frame, size_t length);

#endif
