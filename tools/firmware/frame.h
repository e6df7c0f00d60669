/*
 * What crosses the link between plantstand and controller firmware: one struct per kind of frame, and the codec.
 *
 * Freestanding C99: no heap, no library. What it does not: kinds that only a tuning method or a current controller
 * needs (feedback, command, hand action, winding test, their answers, voltage feedback and voltage command; they are
 * refused like unknown ones), and frames with an authentication code. The bytes
 * are those of the page src/wire/PROTOCOL.md. Start reading at ps_decode.
 */
#ifndef PLANTSTAND_FRAME_H
#define PLANTSTAND_FRAME_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Most ticks of one exchange that this build takes, 1 to 64: 64 is what the protocol allows. A board that exchanges
 * every tick needs 1 and saves some kilobytes. */
#ifndef PS_STRIDE_MAX
#define PS_STRIDE_MAX 64
#endif

enum {
    PS_VERSION = 1,
    PS_TOKEN_BYTES = 16,
    PS_TEXT_BYTES_MAX = 200,
    PS_HEADER_BYTES = 10,
    PS_CRC_BYTES = 4,
    PS_FRAME_BYTES_MIN = PS_HEADER_BYTES + PS_CRC_BYTES,
    PS_SAMPLE_BYTES = 32,
    PS_VALUE_BYTES = 16,
    /* The longest frame that may come: a torque feedback, or a setting row with two full texts. */
    PS_FEEDBACK_BYTES_MAX = 27 + PS_STRIDE_MAX * PS_SAMPLE_BYTES + PS_CRC_BYTES,
    PS_FRAME_BYTES_MAX = PS_FEEDBACK_BYTES_MAX < 459 ? 459 : PS_FEEDBACK_BYTES_MAX,
    /* The longest torque command. */
    PS_COMMAND_BYTES_MAX = 21 + PS_STRIDE_MAX * PS_VALUE_BYTES + PS_CRC_BYTES
};

enum ps_kind {
    PS_OPEN = 1,
    PS_ACCEPT = 2,
    PS_REFUSE = 3,
    PS_CLOSE = 4,
    PS_PHASE = 5,
    PS_DONE = 8,
    PS_RESULT = 9,
    PS_LOG = 10,
    PS_PROBE = 11,
    PS_ECHO = 12,
    PS_SETTING_LIST = 16,
    PS_SETTING_ROW = 17,
    PS_SETTING_READ = 18,
    PS_SETTING_WRITE = 19,
    PS_STORE = 20,
    PS_SETTING_ANSWER = 21,
    PS_TORQUE_FEEDBACK = 32,
    PS_TORQUE_COMMAND = 33,
    PS_PHASE_ACKNOWLEDGEMENT = 36
};

/* Why bytes are not a frame, in the order in which it is looked for. */
enum ps_reason {
    PS_FRAME = 0,
    PS_TOO_SHORT,
    PS_MAGIC,
    PS_LENGTH,
    PS_CRC,
    PS_OTHER_VERSION,
    PS_KIND,
    PS_KIND_RESERVED,
    PS_PAYLOAD,
    PS_COUNT,
    PS_VALUE,
    PS_NOT_FINITE,
    PS_TEXT,
    PS_REASONS
};

enum ps_commands { PS_COMMANDS_SPEED = 1, PS_COMMANDS_TORQUE = 2, PS_COMMANDS_VOLTAGE = 3 };

enum ps_pace { PS_LOCKSTEP = 1, PS_REAL_TIME = 2 };

enum ps_phase_kind {
    PS_PHASE_TUNING = 1,
    PS_PHASE_POWER_CYCLE = 2,
    PS_PHASE_EXAMINATION = 3,
    PS_PHASE_OVER = 4,
    PS_PHASE_RESET = 5
};

enum ps_close_reason { PS_CLOSE_LEAVING = 1, PS_CLOSE_FAILED = 5 };

enum ps_verdict { PS_PASS = 1, PS_FAIL = 2, PS_VOID = 3 };

/* One line of UTF-8 without control characters. No zero stands behind it. */
struct ps_text {
    uint8_t bytes_used;
    uint8_t bytes[PS_TEXT_BYTES_MAX];
};

struct ps_open {
    uint8_t token[PS_TOKEN_BYTES];
    struct ps_text name;
};

struct ps_accept {
    uint16_t port;
    uint8_t version_min;
    uint8_t version_max;
    uint8_t commands;
    uint8_t pace;
    uint32_t tick_hz;
    uint16_t stride_ticks;
    uint8_t endless;
    double travel_min_deg;
    double travel_max_deg;
    double window_min_deg;
    double window_max_deg;
    double path_deg;
    double max_speed_rad_per_s;
    double time_s;
    uint64_t nonce;
    struct ps_text title;
};

struct ps_refuse {
    uint8_t reason;
    uint8_t version_min;
    uint8_t version_max;
    struct ps_text detail;
};

struct ps_close {
    uint8_t reason;
};

/* Of a phase and of its acknowledgement. */
struct ps_phase {
    uint8_t phase;
    uint16_t corner;
};

struct ps_result {
    uint8_t verdict;
    double grade_percent;
    struct ps_text text;
};

struct ps_log {
    struct ps_text text;
};

/* Of a probe and of the echo that answers it. */
struct ps_probe {
    uint64_t nonce;
};

struct ps_setting_list {
    uint16_t index;
};

struct ps_setting_row {
    uint32_t request;
    uint16_t index;
    uint16_t total;
    uint16_t number;
    uint8_t writable_while_enabled;
    double low;
    double high;
    double value;
    double new_drive;
    struct ps_text name;
    struct ps_text unit;
};

struct ps_setting_read {
    uint16_t number;
};

struct ps_setting_write {
    uint16_t number;
    double value;
};

struct ps_setting_answer {
    uint32_t request;
    uint16_t number;
    uint8_t outcome;
    double value;
};

struct ps_torque_sample {
    int64_t counts;
    double setpoint_rad_per_s;
    double measured_speed_rad_per_s;
    double torque_nm;
};

struct ps_torque_feedback {
    uint32_t exchange;
    uint64_t first_tick;
    uint16_t trip;
    uint16_t statusword;
    uint8_t sample_count;
    struct ps_torque_sample samples[PS_STRIDE_MAX];
};

struct ps_torque_value {
    double torque_nm;
    double feedforward_nm;
};

struct ps_torque_command {
    uint32_t exchange;
    uint16_t controlword;
    uint32_t compute_us;
    uint8_t value_count;
    struct ps_torque_value values[PS_STRIDE_MAX];
};

/* One frame. `kind` says which member of `is` holds; done and store have none. */
struct ps_frame {
    uint32_t sequence;
    uint8_t kind;
    union {
        struct ps_open open;
        struct ps_accept accept;
        struct ps_refuse refuse;
        struct ps_close close;
        struct ps_phase phase;
        struct ps_result result;
        struct ps_log log;
        struct ps_probe probe;
        struct ps_setting_list setting_list;
        struct ps_setting_row setting_row;
        struct ps_setting_read setting_read;
        struct ps_setting_write setting_write;
        struct ps_setting_answer setting_answer;
        struct ps_torque_feedback torque_feedback;
        struct ps_torque_command torque_command;
    } is;
};

/* Reads one frame that takes all of these bytes. On a refusal nothing in `frame` means anything. */
enum ps_reason ps_decode(struct ps_frame *frame, const uint8_t *bytes, size_t length);

/* Writes the frame and says how many bytes it takes; 0 when it does not fit, or when the other side would refuse it. The
 * frame stays as it is; it is not const since one walk serves reading and writing. */
size_t ps_encode(struct ps_frame *frame, uint8_t *bytes, size_t room);

/* CRC-32/ISCSI: `123456789` gives 0xE3069283. */
uint32_t ps_crc(const uint8_t *bytes, size_t length);

/* Own memcpy and memset, so that nothing here needs a library. */
void ps_copy(uint8_t *to, const uint8_t *from, size_t length);
void ps_clear(void *what, size_t length);

#endif
