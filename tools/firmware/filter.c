/*
 * Codec, framing and controller as filters, so that a test can try them against others.
 *
 * `filter frames` reads from standard input blocks of a length (two bytes, low one first) and so many bytes, and writes
 * for each one byte of reason (0: a frame) and, as a block, the frame encoded again. `filter cobs` takes blocks likewise
 * and writes a stream: each as it goes on a line of bytes. `filter line` takes such a stream and writes a block for
 * everything between zeros. `filter controller` takes the settings that are compiled in and 8000 ticks a second, reads
 * ticks, counts and setpoints (u64, i64, double as this machine has them) and writes torques. Start reading at main.
 */
#include <stdio.h>
#include <string.h>

#include "cobs.h"
#include "settings.h"

static bool read_block(uint8_t *bytes, size_t *length)
{
    uint8_t prefix[2];
    if (fread(prefix, 1, 2, stdin) != 2) {
        return false;
    }
    *length = (size_t)(prefix[0] | prefix[1] << 8);
    return fread(bytes, 1, *length, stdin) == *length;
}

static void write_block(const uint8_t *bytes, size_t length)
{
    uint8_t prefix[2] = { (uint8_t)(length & 0xFF), (uint8_t)(length >> 8) };
    fwrite(prefix, 1, 2, stdout);
    fwrite(bytes, 1, length, stdout);
}

static void filter_frames(uint8_t *bytes)
{
    static struct ps_frame frame;
    static uint8_t again[PS_FRAME_BYTES_MAX];
    size_t length = 0;
    while (read_block(bytes, &length)) {
        enum ps_reason reason = ps_decode(&frame, bytes, length);
        putchar((int)reason);
        write_block(again, reason == PS_FRAME ? ps_encode(&frame, again, sizeof again) : 0);
    }
}

static void filter_to_line(uint8_t *bytes)
{
    static uint8_t line[PS_COBS_ROOM(UINT16_MAX)];
    size_t length = 0;
    while (read_block(bytes, &length)) {
        fwrite(line, 1, ps_cobs_put(line, bytes, length), stdout);
    }
}

static void filter_from_line(void)
{
    static struct ps_cobs cobs;
    for (int byte = getchar(); byte != EOF; byte = getchar()) {
        size_t length = ps_cobs_take(&cobs, (uint8_t)byte);
        if (length != 0) {
            write_block(cobs.frame, length);
        }
    }
}

static void filter_controller(void)
{
    struct ps_controller controller;
    struct { uint64_t tick; int64_t counts; double setpoint_rad_per_s; } input;
    ps_controller_start(&controller, &PS_SETTINGS, 8000);
    while (fread(&input, sizeof input, 1, stdin) == 1) {
        double torque_nm = ps_controller_step(&controller, input.tick, input.counts, input.setpoint_rad_per_s);
        fwrite(&torque_nm, sizeof torque_nm, 1, stdout);
    }
}

int main(int count, char **words)
{
    static uint8_t bytes[UINT16_MAX];
    if (count == 2 && strcmp(words[1], "frames") == 0) {
        filter_frames(bytes);
    } else if (count == 2 && strcmp(words[1], "cobs") == 0) {
        filter_to_line(bytes);
    } else if (count == 2 && strcmp(words[1], "line") == 0) {
        filter_from_line();
    } else if (count == 2 && strcmp(words[1], "controller") == 0) {
        filter_controller();
    } else {
        fputs("usage: filter frames|cobs|line|controller\n", stderr);
        return 2;
    }
    return ferror(stdout) == 0 ? 0 : 1;
}
