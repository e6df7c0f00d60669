/*
 * COBS, byte by byte. A block is a code byte n and n - 1 bytes that are not zero; a zero is meant behind it unless n is
 * 255 or the frame ends. Start reading at ps_cobs_take.
 */
#include "cobs.h"

/* A byte beyond the room is dropped: the frame is too long then, and is refused for its length. */
static void keep(struct ps_cobs *cobs, uint8_t byte)
{
    if (cobs->used < sizeof cobs->frame) {
        cobs->frame[cobs->used++] = byte;
    }
}

size_t ps_cobs_take(struct ps_cobs *cobs, uint8_t byte)
{
    if (cobs->is_complete) {
        cobs->used = 0;
        cobs->is_complete = false;
    }
    if (byte == 0) {
        /* In mid-block, too: what came is handed on, and refused. */
        cobs->left = 0;
        cobs->zero_due = false;
        cobs->is_complete = true;
        return cobs->used;
    }
    if (0 < cobs->left) {
        cobs->left--;
        keep(cobs, byte);
        return 0;
    }
    if (cobs->zero_due) {
        keep(cobs, 0);
    }
    cobs->left = (uint8_t)(byte - 1);
    cobs->zero_due = byte != 255;
    return 0;
}

size_t ps_cobs_put(uint8_t *line, const uint8_t *frame, size_t length)
{
    size_t code_at = 1, used = 2;
    line[0] = 0;
    for (size_t at = 0; at < length; at++) {
        if (frame[at] != 0) {
            line[used++] = frame[at];
        }
        bool is_full = used - code_at == 255;
        if (frame[at] == 0 || (is_full && at + 1 < length)) {
            line[code_at] = (uint8_t)(used - code_at);
            code_at = used++;
        }
    }
    line[code_at] = (uint8_t)(used - code_at);
    line[used++] = 0;
    return used;
}
