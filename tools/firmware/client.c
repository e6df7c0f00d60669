/*
 * The client of the link, as src/wire/PROTOCOL.md has it where the outside commands torque.
 *
 * Start reading at ps_client_run.
 */
#include "client.h"

enum { AGAIN_AFTER_US = 100000, OPERATION_ENABLED = 0x000F, DISABLED = 0x0000 };

static const uint64_t FNV_OFFSET = UINT64_C(0xCBF29CE484222325);
static const uint64_t FNV_PRIME = UINT64_C(0x00000100000001B3);

static uint32_t now_us(const struct ps_client *client)
{
    return client->port->now_us(client->port->context);
}

static void send(struct ps_client *client, const uint8_t *frame, size_t length)
{
    if (length != 0 && !client->port->send(client->port->context, frame, length) && client->end == PS_END_NONE) {
        client->end = PS_END_GONE;
    }
}

/* Writes what stands in `said` under the next sequence number. */
static size_t framed(struct ps_client *client, uint8_t kind, uint8_t *bytes, size_t room)
{
    client->sequence++;
    client->said.sequence = client->sequence;
    client->said.kind = kind;
    return ps_encode(&client->said, bytes, room);
}

/* Says what stands in `said`, once. */
static void say(struct ps_client *client, uint8_t kind)
{
    send(client, client->buffer, framed(client, kind, client->buffer, sizeof client->buffer));
}

/* Says it now and again until the bench goes on. */
static void ask(struct ps_client *client, uint8_t kind)
{
    client->asking_bytes = framed(client, kind, client->asking, sizeof client->asking);
    client->asked_at_us = now_us(client);
    send(client, client->asking, client->asking_bytes);
}

/* Says it, and says the identical frame when the bench repeats what it answers. */
static void answer(struct ps_client *client, struct ps_answered *answered, uint8_t kind)
{
    answered->length = framed(client, kind, answered->answer, sizeof answered->answer);
    send(client, answered->answer, answered->length);
}

static void put_words(struct ps_text *text, const char *words)
{
    for (; *words != '\0' && text->bytes_used < PS_TEXT_BYTES_MAX; words++) {
        text->bytes[text->bytes_used++] = (uint8_t)*words;
    }
}

static void put_number(struct ps_text *text, uint32_t number)
{
    char digits[11];
    size_t at = sizeof digits - 1;
    digits[at] = '\0';
    do {
        digits[--at] = (char)('0' + number % 10);
        number /= 10;
    } while (number != 0);
    put_words(text, digits + at);
}

static void put_hash(struct ps_text *text, uint64_t hash)
{
    char digit[2] = { '0', '\0' };
    for (unsigned place = 16; 0 < place; place--) {
        digit[0] = "0123456789abcdef"[hash >> (4 * (place - 1)) & 15];
        put_words(text, digit);
    }
}

void ps_client_report(const struct ps_client *client, struct ps_text *line)
{
    line->bytes_used = 0;
    put_words(line, "examinations ");
    put_number(line, client->examinations);
    put_words(line, ", exchanges ");
    put_number(line, client->exchanges);
    put_words(line, ", bad frames ");
    put_number(line, client->bad_frames);
    put_words(line, ", repeated ");
    put_number(line, client->repeated_frames);
    put_words(line, ", ticks lost ");
    put_number(line, client->lost_ticks);
    put_words(line, ", computed at most us ");
    put_number(line, client->compute_max_us);
    put_words(line, ", output hash ");
    put_hash(line, client->output_hash);
}

const char *ps_client_end_words(const struct ps_client *client)
{
    switch (client->end) {
    case PS_END_RESULT:
        return client->verdict == PS_PASS ? "result: pass" : client->verdict == PS_FAIL ? "result: fail" : "result: void";
    case PS_END_REFUSED:
        return "the bench refused the open";
    case PS_END_SPEED:
        return "this scenario does not want torques from the outside: set commands = \"torque\" in it";
    case PS_END_STRIDE:
        return "an exchange has more ticks than this build takes: set PS_STRIDE_MAX";
    case PS_END_CLOSED:
        return "the bench ended the run before its result";
    case PS_END_SILENT:
        return "the bench does not answer";
    case PS_END_GONE:
        return "the carrier is gone";
    case PS_END_NONE:
    default:
        return "still running";
    }
}

static void log_report(struct ps_client *client)
{
    ps_client_report(client, &client->said.is.log.text);
    say(client, PS_LOG);
}

static void take_accept(struct ps_client *client)
{
    const struct ps_accept *accept = &client->heard.is.accept;
    client->accepted = true;
    client->asking_bytes = 0;
    if (accept->commands != PS_COMMANDS_TORQUE || PS_STRIDE_MAX < accept->stride_ticks) {
        client->end = accept->commands != PS_COMMANDS_TORQUE ? PS_END_SPEED : PS_END_STRIDE;
    }
    ps_controller_start(&client->controller, &client->settings, accept->tick_hz);
    if (accept->port != 0 && client->port->follow != NULL
        && !client->port->follow(client->port->context, accept->port)) {
        client->end = PS_END_GONE;
    }
    if (client->end != PS_END_NONE) {
        return;
    }
    /* Tells the bench that this side listens on the new port. */
    client->said.is.probe.nonce = accept->nonce;
    say(client, PS_PROBE);
}

/* Whether the bench's frame is new. One that it repeats gets the identical answer; an older one, which a bad line may
 * bring late, gets none. */
static bool is_new(struct ps_client *client, struct ps_answered *answered)
{
    uint32_t ahead = client->heard.sequence - answered->newest;
    if (ahead == 0) {
        client->repeated_frames++;
        send(client, answered->answer, answered->length);
    }
    if (ahead == 0 || UINT32_MAX / 2 < ahead) {
        return false;
    }
    answered->newest = client->heard.sequence;
    answered->length = 0;
    return true;
}

static void take_phase(struct ps_client *client)
{
    struct ps_phase phase = client->heard.is.phase;
    ps_controller_reset(&client->controller);
    /* An answer of before means nothing any more. */
    client->feedback_answered.length = 0;
    if (phase.phase != PS_PHASE_RESET) {
        if (client->phase.phase == PS_PHASE_EXAMINATION) {
            log_report(client);
        }
        client->phase = phase;
        client->asking_bytes = 0;
        client->examinations += phase.phase == PS_PHASE_EXAMINATION;
    }
    if (phase.phase == PS_PHASE_OVER) {
        return;
    }
    client->said.is.phase = phase;
    answer(client, &client->phase_answered, PS_PHASE_ACKNOWLEDGEMENT);
    if (phase.phase == PS_PHASE_TUNING) {
        ask(client, PS_DONE);
    }
}

static void hash_bytes(struct ps_client *client, uint64_t number, unsigned bytes)
{
    for (unsigned byte = 0; byte < bytes; byte++) {
        client->output_hash = (client->output_hash ^ (number >> (8 * byte) & 0xFF)) * FNV_PRIME;
    }
}

static void hash_double(struct ps_client *client, double number)
{
    union { double number; uint64_t bits; } both = { .number = number };
    hash_bytes(client, both.bits, 8);
}

static void take_feedback(struct ps_client *client)
{
    const struct ps_torque_feedback *feedback = &client->heard.is.torque_feedback;
    struct ps_torque_command *command = &client->said.is.torque_command;
    uint32_t began_us = now_us(client);
    if (client->controller.has_counts && client->controller.last_tick + 1 < feedback->first_tick) {
        client->lost_ticks += (uint32_t)(feedback->first_tick - client->controller.last_tick - 1);
    }
    command->exchange = feedback->exchange;
    command->controlword = OPERATION_ENABLED;
    command->value_count = feedback->sample_count;
    hash_bytes(client, command->exchange, 4);
    hash_bytes(client, command->controlword, 2);
    for (unsigned n = 0; n < feedback->sample_count; n++) {
        const struct ps_torque_sample *sample = &feedback->samples[n];
        command->values[n].torque_nm = ps_controller_step(&client->controller, feedback->first_tick + n,
                                                          sample->counts, sample->setpoint_rad_per_s);
        command->values[n].feedforward_nm = 0.0;
        hash_double(client, command->values[n].torque_nm);
        hash_double(client, command->values[n].feedforward_nm);
    }
    command->compute_us = now_us(client) - began_us;
    if (client->compute_max_us < command->compute_us) {
        client->compute_max_us = command->compute_us;
    }
    client->exchanges++;
    answer(client, &client->feedback_answered, PS_TORQUE_COMMAND);
}

/* A feedback of a drive that is to stay off. */
static void decline_feedback(struct ps_client *client)
{
    client->said.is.torque_command.exchange = client->heard.is.torque_feedback.exchange;
    client->said.is.torque_command.controlword = DISABLED;
    client->said.is.torque_command.compute_us = 0;
    client->said.is.torque_command.value_count = 0;
    answer(client, &client->feedback_answered, PS_TORQUE_COMMAND);
}

static void take_result(struct ps_client *client)
{
    client->verdict = client->heard.is.result.verdict;
    client->words = client->heard.is.result.text;
    client->end = PS_END_RESULT;
}

/* Before the accept only its own frame is heeded. */
static void take_before_accept(struct ps_client *client)
{
    if (client->heard.kind == PS_ACCEPT) {
        take_accept(client);
    } else if (client->heard.kind == PS_REFUSE) {
        client->words = client->heard.is.refuse.detail;
        client->end = PS_END_REFUSED;
    }
}

static void take_frame(struct ps_client *client)
{
    if (!client->accepted) {
        take_before_accept(client);
        return;
    }
    switch (client->heard.kind) {
    case PS_PHASE:
        if (is_new(client, &client->phase_answered)) {
            take_phase(client);
        }
        break;
    case PS_TORQUE_FEEDBACK:
        /* One while tuning is answered by the done that was said. Firmware that was started anew in mid-run has not
         * heard of a phase: it controls at once. */
        if (client->phase.phase == PS_PHASE_TUNING || !is_new(client, &client->feedback_answered)) {
            break;
        }
        if (client->phase.phase == PS_PHASE_POWER_CYCLE) {
            decline_feedback(client);
        } else {
            take_feedback(client);
        }
        break;
    case PS_PROBE:
        client->said.is.probe = client->heard.is.probe;
        say(client, PS_ECHO);
        break;
    case PS_RESULT:
        take_result(client);
        break;
    case PS_CLOSE:
        client->close_reason = client->heard.is.close.reason;
        client->end = PS_END_CLOSED;
        break;
    default:
        /* A repeated accept, an echo, answers about settings: nothing to do. */
        break;
    }
}

/* One wait: a frame, or what is due when none came. */
static void step(struct ps_client *client)
{
    int32_t length = client->port->receive(client->port->context, client->buffer, sizeof client->buffer);
    if (length < 0) {
        client->end = PS_END_GONE;
        return;
    }
    if (0 < length) {
        if (ps_decode(&client->heard, client->buffer, (size_t)length) == PS_FRAME) {
            client->heard_at_us = now_us(client);
            take_frame(client);
        } else {
            client->bad_frames++;
        }
    }
    uint32_t now = now_us(client);
    if (client->asking_bytes != 0 && AGAIN_AFTER_US <= now - client->asked_at_us) {
        client->asked_at_us = now;
        send(client, client->asking, client->asking_bytes);
    }
    if (client->end == PS_END_NONE && client->patience_us != 0 && client->patience_us <= now - client->heard_at_us) {
        client->end = PS_END_SILENT;
    }
}

enum ps_end ps_client_run(struct ps_client *client, const struct ps_port *port, const struct ps_settings *settings,
                          const uint8_t *token, const char *name, uint32_t patience_us)
{
    ps_clear(client, sizeof *client);
    client->port = port;
    client->settings = *settings;
    client->patience_us = patience_us;
    client->output_hash = FNV_OFFSET;
    client->heard_at_us = now_us(client);
    ps_copy(client->said.is.open.token, token, PS_TOKEN_BYTES);
    put_words(&client->said.is.open.name, name);
    ask(client, PS_OPEN);
    while (client->end == PS_END_NONE) {
        step(client);
    }
    return client->end;
}

void ps_client_leave(struct ps_client *client)
{
    client->said.is.close.reason = client->end == PS_END_RESULT ? PS_CLOSE_LEAVING : PS_CLOSE_FAILED;
    if (client->accepted && client->end != PS_END_GONE) {
        say(client, PS_CLOSE);
    }
}
