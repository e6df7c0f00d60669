/*
 * The client of the link where the outside closes the speed loop: opens, acknowledges phases, answers each feedback with
 * the controller's torque, takes the result, closes.
 *
 * Freestanding: carrier and clock come as functions. What it does not: tune (its gains are fixed, it says done at once),
 * or walk the controlword (in an examination the drive is enabled from the first tick). Start reading at ps_client_run.
 */
#ifndef PLANTSTAND_CLIENT_H
#define PLANTSTAND_CLIENT_H

#include "controller.h"
#include "frame.h"

/* What a place to run gives: the three functions of a port, and a fourth over UDP. */
struct ps_port {
    /* Sends one frame. False when nothing can arrive any more. */
    bool (*send)(void *context, const uint8_t *frame, size_t length);
    /* Waits about a tenth of a second for the next frame, puts it into `frame`, cut off at `room` bytes, and returns how
     * many bytes stand there; 0 when nothing came, -1 when nothing can come any more. */
    int32_t (*receive)(void *context, uint8_t *frame, size_t room);
    /* Microseconds from any start; may wrap round. */
    uint32_t (*now_us)(void *context);
    /* Talks to the bench's other port from now on. NULL on a serial line. */
    bool (*follow)(void *context, uint16_t port);
    void *context;
};

/* How a run ended. */
enum ps_end {
    PS_END_NONE = 0,
    PS_END_RESULT,  /* the result came */
    PS_END_REFUSED, /* the bench refused the open; its words are in `words` */
    PS_END_SPEED,   /* the scenario wants speed setpoints or voltages from the outside, not torques */
    PS_END_STRIDE,  /* an exchange has more ticks than PS_STRIDE_MAX of this build */
    PS_END_CLOSED,  /* the bench ended the run before its result; its reason is in `close_reason` */
    PS_END_SILENT,  /* the bench has said nothing for the patience */
    PS_END_GONE     /* the carrier is gone */
};

/* The newest of the bench's phases or feedbacks, by its sequence number, and the answer to it, in case that it comes
 * again. Phases and feedbacks are told apart: after a client has opened anew, the feedback that waits is older than the
 * phase that is announced once more. */
struct ps_answered {
    uint32_t newest;
    size_t length;
    uint8_t answer[PS_COMMAND_BYTES_MAX];
};

struct ps_client {
    const struct ps_port *port;
    struct ps_settings settings;
    struct ps_controller controller;
    uint32_t sequence;

    /* The phase that runs, 0 before the first. */
    struct ps_phase phase;
    bool accepted;

    struct ps_answered phase_answered;
    struct ps_answered feedback_answered;

    /* What is said again every tenth of a second until the bench goes on: an open, then done. */
    size_t asking_bytes;
    uint8_t asking[PS_FRAME_BYTES_MIN + PS_TOKEN_BYTES + 1 + PS_TEXT_BYTES_MAX];

    uint32_t asked_at_us;
    uint32_t heard_at_us;
    uint32_t patience_us;

    /* What is told at the end. */
    enum ps_end end;
    uint8_t verdict;
    uint8_t close_reason;
    struct ps_text words;
    uint32_t examinations;
    uint32_t exchanges;
    uint32_t bad_frames;
    uint32_t repeated_frames;
    uint32_t lost_ticks;
    uint32_t compute_max_us;
    /* FNV-1a, 64 bits, over exchange, controlword and the floats' bits of every torque command of an examination, each
     * once and in order: the same on two processors when every bit of every output was the same. */
    uint64_t output_hash;

    struct ps_frame heard;
    struct ps_frame said;
    uint8_t buffer[PS_FRAME_BYTES_MAX + 1];
};

/* Runs a whole trial. `token` has 16 bytes; `name` is what the score sheet shows; a patience of 0 waits for ever. */
enum ps_end ps_client_run(struct ps_client *client, const struct ps_port *port, const struct ps_settings *settings,
                          const uint8_t *token, const char *name, uint32_t patience_us);

/* Says the last word, close. A bench that started this client ends it then: whatever is to be told is told before. */
void ps_client_leave(struct ps_client *client);

/* One line for people about the run so far: exchanges, bad frames, output hash. */
void ps_client_report(const struct ps_client *client, struct ps_text *line);

/* How the run ended, in words; ends with a zero. */
const char *ps_client_end_words(const struct ps_client *client);

#endif
