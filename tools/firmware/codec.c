/*
 * Frames to bytes and bytes to frames.
 *
 * Each payload is walked by one function that serves both ways, so that reading and writing cannot disagree; a cursor
 * knows which way it goes and keeps the first complaint. Offsets count from the frame's first byte, each chained to the
 * field before. What it does not: judge what a frame asks for. Start reading at ps_decode.
 */
#include "frame.h"

/* Where the fields stand. The name at the end of each table is where its texts, samples or values begin. */
enum { MAGIC = 0, VERSION = 2, KIND = 3, SEQUENCE = 4, PAYLOAD_BYTES = 8, PAYLOAD = 10 };
enum { OPEN_TOKEN = PAYLOAD, OPEN_NAME_BYTES = OPEN_TOKEN + 16, OPEN_END = OPEN_NAME_BYTES + 1 };
enum {
    ACCEPT_PORT = PAYLOAD,
    ACCEPT_VERSION_MIN = ACCEPT_PORT + 2,
    ACCEPT_VERSION_MAX = ACCEPT_VERSION_MIN + 1,
    ACCEPT_COMMANDS = ACCEPT_VERSION_MAX + 1,
    ACCEPT_PACE = ACCEPT_COMMANDS + 1,
    ACCEPT_TICK_HZ = ACCEPT_PACE + 1,
    ACCEPT_STRIDE_TICKS = ACCEPT_TICK_HZ + 4,
    ACCEPT_ENDLESS = ACCEPT_STRIDE_TICKS + 2,
    ACCEPT_TRAVEL_MIN_DEG = ACCEPT_ENDLESS + 1,
    ACCEPT_TRAVEL_MAX_DEG = ACCEPT_TRAVEL_MIN_DEG + 8,
    ACCEPT_WINDOW_MIN_DEG = ACCEPT_TRAVEL_MAX_DEG + 8,
    ACCEPT_WINDOW_MAX_DEG = ACCEPT_WINDOW_MIN_DEG + 8,
    ACCEPT_PATH_DEG = ACCEPT_WINDOW_MAX_DEG + 8,
    ACCEPT_MAX_SPEED = ACCEPT_PATH_DEG + 8,
    ACCEPT_TIME_S = ACCEPT_MAX_SPEED + 8,
    ACCEPT_NONCE = ACCEPT_TIME_S + 8,
    ACCEPT_TITLE_BYTES = ACCEPT_NONCE + 8,
    ACCEPT_END = ACCEPT_TITLE_BYTES + 1
};
enum {
    REFUSE_REASON = PAYLOAD,
    REFUSE_VERSION_MIN = REFUSE_REASON + 1,
    REFUSE_VERSION_MAX = REFUSE_VERSION_MIN + 1,
    REFUSE_DETAIL_BYTES = REFUSE_VERSION_MAX + 1,
    REFUSE_END = REFUSE_DETAIL_BYTES + 1
};
enum { CLOSE_REASON = PAYLOAD, CLOSE_END = CLOSE_REASON + 1 };
enum { PHASE_PHASE = PAYLOAD, PHASE_CORNER = PHASE_PHASE + 1, PHASE_END = PHASE_CORNER + 2 };
enum {
    RESULT_VERDICT = PAYLOAD,
    RESULT_GRADE = RESULT_VERDICT + 1,
    RESULT_TEXT_BYTES = RESULT_GRADE + 8,
    RESULT_END = RESULT_TEXT_BYTES + 1
};
enum { LOG_TEXT_BYTES = PAYLOAD, LOG_END = LOG_TEXT_BYTES + 1 };
enum { PROBE_NONCE = PAYLOAD, PROBE_END = PROBE_NONCE + 8 };
enum { LIST_INDEX = PAYLOAD, LIST_END = LIST_INDEX + 2 };
enum {
    ROW_REQUEST = PAYLOAD,
    ROW_INDEX = ROW_REQUEST + 4,
    ROW_TOTAL = ROW_INDEX + 2,
    ROW_NUMBER = ROW_TOTAL + 2,
    ROW_WRITABLE = ROW_NUMBER + 2,
    ROW_LOW = ROW_WRITABLE + 1,
    ROW_HIGH = ROW_LOW + 8,
    ROW_VALUE = ROW_HIGH + 8,
    ROW_DEFAULT = ROW_VALUE + 8,
    ROW_NAME_BYTES = ROW_DEFAULT + 8,
    ROW_UNIT_BYTES = ROW_NAME_BYTES + 1,
    ROW_END = ROW_UNIT_BYTES + 1
};
enum { READ_NUMBER = PAYLOAD, READ_END = READ_NUMBER + 2 };
enum { WRITE_NUMBER = PAYLOAD, WRITE_VALUE = WRITE_NUMBER + 2, WRITE_END = WRITE_VALUE + 8 };
enum {
    ANSWER_REQUEST = PAYLOAD,
    ANSWER_NUMBER = ANSWER_REQUEST + 4,
    ANSWER_OUTCOME = ANSWER_NUMBER + 2,
    ANSWER_VALUE = ANSWER_OUTCOME + 1,
    ANSWER_END = ANSWER_VALUE + 8
};
enum {
    FEEDBACK_EXCHANGE = PAYLOAD,
    FEEDBACK_FIRST_TICK = FEEDBACK_EXCHANGE + 4,
    FEEDBACK_TRIP = FEEDBACK_FIRST_TICK + 8,
    FEEDBACK_STATUSWORD = FEEDBACK_TRIP + 2,
    FEEDBACK_SAMPLE_COUNT = FEEDBACK_STATUSWORD + 2,
    FEEDBACK_END = FEEDBACK_SAMPLE_COUNT + 1
};
enum { SAMPLE_COUNTS = 0, SAMPLE_SETPOINT = 8, SAMPLE_SPEED = 16, SAMPLE_TORQUE = 24 };
enum {
    COMMAND_EXCHANGE = PAYLOAD,
    COMMAND_CONTROLWORD = COMMAND_EXCHANGE + 4,
    COMMAND_COMPUTE_US = COMMAND_CONTROLWORD + 2,
    COMMAND_VALUE_COUNT = COMMAND_COMPUTE_US + 4,
    COMMAND_END = COMMAND_VALUE_COUNT + 1
};
enum { VALUE_TORQUE = 0, VALUE_FEEDFORWARD = 8 };

void ps_copy(uint8_t *to, const uint8_t *from, size_t length)
{
    for (size_t at = 0; at < length; at++) {
        to[at] = from[at];
    }
}

void ps_clear(void *what, size_t length)
{
    uint8_t *bytes = what;
    for (size_t at = 0; at < length; at++) {
        bytes[at] = 0;
    }
}

uint32_t ps_crc(const uint8_t *bytes, size_t length)
{
    /* Half a byte at a time: sixteen words of table are a good trade on a small machine. Row n is the register n run
     * through four steps of the reflected polynomial 0x82F63B78. */
    static const uint32_t HALF_BYTE[16] = {
        0x00000000, 0x105EC76F, 0x20BD8EDE, 0x30E349B1, 0x417B1DBC, 0x5125DAD3, 0x61C69362, 0x7198540D,
        0x82F63B78, 0x92A8FC17, 0xA24BB5A6, 0xB21572C9, 0xC38D26C4, 0xD3D3E1AB, 0xE330A81A, 0xF36E6F75
    };
    uint32_t crc = UINT32_MAX;
    for (size_t at = 0; at < length; at++) {
        crc ^= bytes[at];
        crc = (crc >> 4) ^ HALF_BYTE[crc & 15];
        crc = (crc >> 4) ^ HALF_BYTE[crc & 15];
    }
    return ~crc;
}

/* The way through one payload. */
struct cursor {
    const uint8_t *from; /* the bytes that are read */
    uint8_t *to;         /* the bytes that are written; NULL while reading */
    size_t end;          /* where the payload, or the room, ends */
    enum ps_reason reason;
};

/* Whether the field is there and nothing was refused before it. */
static bool reaches(struct cursor *cursor, size_t at, size_t bytes)
{
    if (cursor->reason == PS_FRAME && cursor->end < at + bytes) {
        cursor->reason = PS_PAYLOAD;
    }
    return cursor->reason == PS_FRAME;
}

static void refuse_if(struct cursor *cursor, bool wrong, enum ps_reason reason)
{
    if (wrong && cursor->reason == PS_FRAME) {
        cursor->reason = reason;
    }
}

/* A number of so many bytes, the low one first whatever the machine's own order. */
static void walk_number(struct cursor *cursor, size_t at, size_t bytes, uint64_t *number)
{
    if (!reaches(cursor, at, bytes)) {
        return;
    }
    uint64_t found = 0;
    for (size_t byte = 0; byte < bytes; byte++) {
        if (cursor->to != NULL) {
            cursor->to[at + byte] = (uint8_t)(*number >> (8 * byte));
        } else {
            found |= (uint64_t)cursor->from[at + byte] << (8 * byte);
        }
    }
    if (cursor->to == NULL) {
        *number = found;
    }
}

static void walk_u8(struct cursor *cursor, size_t at, uint8_t *field)
{
    uint64_t number = *field;
    walk_number(cursor, at, 1, &number);
    *field = (uint8_t)number;
}

static void walk_u16(struct cursor *cursor, size_t at, uint16_t *field)
{
    uint64_t number = *field;
    walk_number(cursor, at, 2, &number);
    *field = (uint16_t)number;
}

static void walk_u32(struct cursor *cursor, size_t at, uint32_t *field)
{
    uint64_t number = *field;
    walk_number(cursor, at, 4, &number);
    *field = (uint32_t)number;
}

static void walk_i64(struct cursor *cursor, size_t at, int64_t *field)
{
    union { int64_t number; uint64_t bits; } both = { .number = *field };
    walk_number(cursor, at, 8, &both.bits);
    *field = both.number;
}

/* A double, refused unless it is finite. */
static void walk_f64(struct cursor *cursor, size_t at, double *field)
{
    union { double number; uint64_t bits; } both = { .number = *field };
    walk_number(cursor, at, 8, &both.bits);
    refuse_if(cursor, (both.bits >> 52 & 0x7FF) == 0x7FF, PS_NOT_FINITE);
    *field = both.number;
}

/* A named value or a flag. Their numbers have no gaps. */
static void walk_named(struct cursor *cursor, size_t at, uint8_t *field, uint8_t low, uint8_t high)
{
    walk_u8(cursor, at, field);
    refuse_if(cursor, *field < low || high < *field, PS_VALUE);
}

/* The length of the UTF-8 character that begins here, 0 when none does or it is a control character (Unicode's Cc). */
static size_t clean_character_bytes(const uint8_t *bytes, size_t length)
{
    static const uint32_t LOWEST[5] = { 0, 0, 0x80, 0x800, 0x10000 };
    uint32_t first = bytes[0];
    size_t wanted = first < 0x80 ? 1 : first >> 5 == 0x06 ? 2 : first >> 4 == 0x0E ? 3 : first >> 3 == 0x1E ? 4 : 0;
    if (wanted == 0 || length < wanted) {
        return 0;
    }
    uint32_t character = wanted == 1 ? first : first & (0xFFU >> (wanted + 1));
    for (size_t at = 1; at < wanted; at++) {
        if (bytes[at] >> 6 != 0x02) {
            return 0;
        }
        character = character << 6 | (bytes[at] & 0x3FU);
    }
    bool is_control = character < 0x20 || (0x7F <= character && character < 0xA0);
    bool is_surrogate = 0xD800 <= character && character < 0xE000;
    bool is_none = character < LOWEST[wanted] || 0x10FFFF < character || is_surrogate;
    return is_control || is_none ? 0 : wanted;
}

static bool is_clean(const struct ps_text *text)
{
    size_t at = 0;
    while (at < text->bytes_used) {
        size_t bytes = clean_character_bytes(text->bytes + at, text->bytes_used - at);
        if (bytes == 0) {
            return false;
        }
        at += bytes;
    }
    return true;
}

/* A text that begins at `at` and whose length stands at `length_at`; says where it ends. */
static size_t walk_text(struct cursor *cursor, size_t length_at, size_t at, struct ps_text *text)
{
    walk_u8(cursor, length_at, &text->bytes_used);
    refuse_if(cursor, PS_TEXT_BYTES_MAX < text->bytes_used, PS_COUNT);
    if (!reaches(cursor, at, text->bytes_used)) {
        return at;
    }
    if (cursor->to != NULL) {
        ps_copy(cursor->to + at, text->bytes, text->bytes_used);
    } else {
        ps_copy(text->bytes, cursor->from + at, text->bytes_used);
    }
    refuse_if(cursor, !is_clean(text), PS_TEXT);
    return at + text->bytes_used;
}

static size_t walk_open(struct cursor *cursor, struct ps_open *open)
{
    for (size_t byte = 0; byte < PS_TOKEN_BYTES; byte++) {
        walk_u8(cursor, OPEN_TOKEN + byte, &open->token[byte]);
    }
    return walk_text(cursor, OPEN_NAME_BYTES, OPEN_END, &open->name);
}

/* The order in which fields are looked at is the bench's own, so that the same complaint comes first. */
static size_t walk_accept(struct cursor *cursor, struct ps_accept *accept)
{
    size_t end = walk_text(cursor, ACCEPT_TITLE_BYTES, ACCEPT_END, &accept->title);
    walk_u32(cursor, ACCEPT_TICK_HZ, &accept->tick_hz);
    walk_u16(cursor, ACCEPT_STRIDE_TICKS, &accept->stride_ticks);
    refuse_if(cursor, accept->tick_hz == 0, PS_COUNT);
    refuse_if(cursor, accept->stride_ticks < 1 || 64 < accept->stride_ticks, PS_COUNT);
    walk_u16(cursor, ACCEPT_PORT, &accept->port);
    walk_u8(cursor, ACCEPT_VERSION_MIN, &accept->version_min);
    walk_u8(cursor, ACCEPT_VERSION_MAX, &accept->version_max);
    walk_named(cursor, ACCEPT_COMMANDS, &accept->commands, 1, 3);
    walk_named(cursor, ACCEPT_PACE, &accept->pace, 1, 2);
    walk_named(cursor, ACCEPT_ENDLESS, &accept->endless, 0, 1);
    walk_f64(cursor, ACCEPT_TRAVEL_MIN_DEG, &accept->travel_min_deg);
    walk_f64(cursor, ACCEPT_TRAVEL_MAX_DEG, &accept->travel_max_deg);
    walk_f64(cursor, ACCEPT_WINDOW_MIN_DEG, &accept->window_min_deg);
    walk_f64(cursor, ACCEPT_WINDOW_MAX_DEG, &accept->window_max_deg);
    walk_f64(cursor, ACCEPT_PATH_DEG, &accept->path_deg);
    walk_f64(cursor, ACCEPT_MAX_SPEED, &accept->max_speed_rad_per_s);
    walk_f64(cursor, ACCEPT_TIME_S, &accept->time_s);
    walk_number(cursor, ACCEPT_NONCE, 8, &accept->nonce);
    return end;
}

static size_t walk_refuse(struct cursor *cursor, struct ps_refuse *refuse)
{
    walk_named(cursor, REFUSE_REASON, &refuse->reason, 1, 5);
    walk_u8(cursor, REFUSE_VERSION_MIN, &refuse->version_min);
    walk_u8(cursor, REFUSE_VERSION_MAX, &refuse->version_max);
    return walk_text(cursor, REFUSE_DETAIL_BYTES, REFUSE_END, &refuse->detail);
}

static size_t walk_phase(struct cursor *cursor, struct ps_phase *phase)
{
    walk_named(cursor, PHASE_PHASE, &phase->phase, 1, 5);
    walk_u16(cursor, PHASE_CORNER, &phase->corner);
    return PHASE_END;
}

static size_t walk_result(struct cursor *cursor, struct ps_result *result)
{
    walk_named(cursor, RESULT_VERDICT, &result->verdict, 1, 3);
    walk_f64(cursor, RESULT_GRADE, &result->grade_percent);
    return walk_text(cursor, RESULT_TEXT_BYTES, RESULT_END, &result->text);
}

static size_t walk_setting_row(struct cursor *cursor, struct ps_setting_row *row)
{
    size_t name_end = walk_text(cursor, ROW_NAME_BYTES, ROW_END, &row->name);
    size_t end = walk_text(cursor, ROW_UNIT_BYTES, name_end, &row->unit);
    walk_u32(cursor, ROW_REQUEST, &row->request);
    walk_u16(cursor, ROW_INDEX, &row->index);
    walk_u16(cursor, ROW_TOTAL, &row->total);
    walk_u16(cursor, ROW_NUMBER, &row->number);
    walk_named(cursor, ROW_WRITABLE, &row->writable_while_enabled, 0, 1);
    walk_f64(cursor, ROW_LOW, &row->low);
    walk_f64(cursor, ROW_HIGH, &row->high);
    walk_f64(cursor, ROW_VALUE, &row->value);
    walk_f64(cursor, ROW_DEFAULT, &row->new_drive);
    return end;
}

static size_t walk_setting_write(struct cursor *cursor, struct ps_setting_write *write)
{
    walk_u16(cursor, WRITE_NUMBER, &write->number);
    walk_f64(cursor, WRITE_VALUE, &write->value);
    return WRITE_END;
}

static size_t walk_setting_answer(struct cursor *cursor, struct ps_setting_answer *answer)
{
    walk_u32(cursor, ANSWER_REQUEST, &answer->request);
    walk_u16(cursor, ANSWER_NUMBER, &answer->number);
    walk_named(cursor, ANSWER_OUTCOME, &answer->outcome, 0, 6);
    walk_f64(cursor, ANSWER_VALUE, &answer->value);
    return ANSWER_END;
}

static size_t walk_torque_feedback(struct cursor *cursor, struct ps_torque_feedback *feedback)
{
    walk_u32(cursor, FEEDBACK_EXCHANGE, &feedback->exchange);
    walk_number(cursor, FEEDBACK_FIRST_TICK, 8, &feedback->first_tick);
    walk_u16(cursor, FEEDBACK_TRIP, &feedback->trip);
    walk_u16(cursor, FEEDBACK_STATUSWORD, &feedback->statusword);
    walk_u8(cursor, FEEDBACK_SAMPLE_COUNT, &feedback->sample_count);
    refuse_if(cursor, feedback->sample_count < 1 || PS_STRIDE_MAX < feedback->sample_count, PS_COUNT);
    size_t at = FEEDBACK_END;
    for (size_t n = 0; cursor->reason == PS_FRAME && n < feedback->sample_count; n++) {
        struct ps_torque_sample *sample = &feedback->samples[n];
        walk_i64(cursor, at + SAMPLE_COUNTS, &sample->counts);
        walk_f64(cursor, at + SAMPLE_SETPOINT, &sample->setpoint_rad_per_s);
        walk_f64(cursor, at + SAMPLE_SPEED, &sample->measured_speed_rad_per_s);
        walk_f64(cursor, at + SAMPLE_TORQUE, &sample->torque_nm);
        at += PS_SAMPLE_BYTES;
    }
    return at;
}

static size_t walk_torque_command(struct cursor *cursor, struct ps_torque_command *command)
{
    walk_u32(cursor, COMMAND_EXCHANGE, &command->exchange);
    walk_u16(cursor, COMMAND_CONTROLWORD, &command->controlword);
    walk_u32(cursor, COMMAND_COMPUTE_US, &command->compute_us);
    walk_u8(cursor, COMMAND_VALUE_COUNT, &command->value_count);
    refuse_if(cursor, PS_STRIDE_MAX < command->value_count, PS_COUNT);
    size_t at = COMMAND_END;
    for (size_t n = 0; cursor->reason == PS_FRAME && n < command->value_count; n++) {
        walk_f64(cursor, at + VALUE_TORQUE, &command->values[n].torque_nm);
        walk_f64(cursor, at + VALUE_FEEDFORWARD, &command->values[n].feedforward_nm);
        at += PS_VALUE_BYTES;
    }
    return at;
}

/* Walks the payload of the frame's kind and says where it ends. */
static size_t walk_payload(struct cursor *cursor, struct ps_frame *frame)
{
    switch (frame->kind) {
    case PS_OPEN:
        return walk_open(cursor, &frame->is.open);
    case PS_ACCEPT:
        return walk_accept(cursor, &frame->is.accept);
    case PS_REFUSE:
        return walk_refuse(cursor, &frame->is.refuse);
    case PS_CLOSE:
        walk_named(cursor, CLOSE_REASON, &frame->is.close.reason, 1, 6);
        return CLOSE_END;
    case PS_PHASE:
    case PS_PHASE_ACKNOWLEDGEMENT:
        return walk_phase(cursor, &frame->is.phase);
    case PS_DONE:
    case PS_STORE:
        return PAYLOAD;
    case PS_RESULT:
        return walk_result(cursor, &frame->is.result);
    case PS_LOG:
        return walk_text(cursor, LOG_TEXT_BYTES, LOG_END, &frame->is.log.text);
    case PS_PROBE:
    case PS_ECHO:
        walk_number(cursor, PROBE_NONCE, 8, &frame->is.probe.nonce);
        return PROBE_END;
    case PS_SETTING_LIST:
        walk_u16(cursor, LIST_INDEX, &frame->is.setting_list.index);
        return LIST_END;
    case PS_SETTING_ROW:
        return walk_setting_row(cursor, &frame->is.setting_row);
    case PS_SETTING_READ:
        walk_u16(cursor, READ_NUMBER, &frame->is.setting_read.number);
        return READ_END;
    case PS_SETTING_WRITE:
        return walk_setting_write(cursor, &frame->is.setting_write);
    case PS_SETTING_ANSWER:
        return walk_setting_answer(cursor, &frame->is.setting_answer);
    case PS_TORQUE_FEEDBACK:
        return walk_torque_feedback(cursor, &frame->is.torque_feedback);
    case PS_TORQUE_COMMAND:
        return walk_torque_command(cursor, &frame->is.torque_command);
    default:
        /* Every kind with an authentication code is kept for later. */
        cursor->reason = 128 <= frame->kind ? PS_KIND_RESERVED : PS_KIND;
        return PAYLOAD;
    }
}

enum ps_reason ps_decode(struct ps_frame *frame, const uint8_t *bytes, size_t length)
{
    struct cursor cursor = { .from = bytes, .to = NULL, .end = length, .reason = PS_FRAME };
    if (length < PS_FRAME_BYTES_MIN) {
        return PS_TOO_SHORT;
    }
    if (bytes[MAGIC] != 'P' || bytes[MAGIC + 1] != 'S') {
        return PS_MAGIC;
    }
    uint16_t payload_bytes = 0;
    walk_u16(&cursor, PAYLOAD_BYTES, &payload_bytes);
    if (length != PS_FRAME_BYTES_MIN + (size_t)payload_bytes) {
        return PS_LENGTH;
    }
    uint32_t crc = 0;
    walk_u32(&cursor, length - PS_CRC_BYTES, &crc);
    if (crc != ps_crc(bytes, length - PS_CRC_BYTES)) {
        return PS_CRC;
    }
    /* A refuse is the same in every version: it is how a bench says which ones it speaks. */
    if (bytes[VERSION] != PS_VERSION && bytes[KIND] != PS_REFUSE) {
        return PS_OTHER_VERSION;
    }
    walk_u8(&cursor, KIND, &frame->kind);
    walk_u32(&cursor, SEQUENCE, &frame->sequence);
    cursor.end = length - PS_CRC_BYTES;
    size_t payload_end = walk_payload(&cursor, frame);
    refuse_if(&cursor, payload_end != cursor.end, PS_PAYLOAD);
    return cursor.reason;
}

size_t ps_encode(struct ps_frame *frame, uint8_t *bytes, size_t room)
{
    if (room < PS_FRAME_BYTES_MIN) {
        return 0;
    }
    struct cursor cursor = { .from = NULL, .to = bytes, .end = room - PS_CRC_BYTES, .reason = PS_FRAME };
    size_t payload_end = walk_payload(&cursor, frame);
    uint8_t version = PS_VERSION, kind = frame->kind;
    uint16_t payload_bytes = (uint16_t)(payload_end - PAYLOAD);
    uint32_t sequence = frame->sequence;
    bytes[MAGIC] = 'P';
    bytes[MAGIC + 1] = 'S';
    walk_u8(&cursor, VERSION, &version);
    walk_u8(&cursor, KIND, &kind);
    walk_u32(&cursor, SEQUENCE, &sequence);
    walk_u16(&cursor, PAYLOAD_BYTES, &payload_bytes);
    cursor.end = room;
    if (cursor.reason != PS_FRAME || !reaches(&cursor, payload_end, PS_CRC_BYTES)) {
        return 0;
    }
    uint32_t crc = ps_crc(bytes, payload_end);
    walk_u32(&cursor, payload_end, &crc);
    return payload_end + PS_CRC_BYTES;
}
