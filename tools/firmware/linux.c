/*
 * The firmware as a Linux process: UDP sockets and ttys by the C library.
 *
 * PLANTSTAND_LINK (udp:HOST:PORT or serial:PATH:BAUD) and PLANTSTAND_TOKEN come from the environment, as the bench gives
 * them to a method; without a token it is all zeros. The settings that are compiled in may be replaced there, too, by
 * GAIN_NMS_PER_RAD, RESET_TIME_S, TORQUE_LOWPASS_HZ, TORQUE_LIMIT_NM and COUNTS_PER_TURN. Ends with 0 when a result
 * came, whichever; with 1 when none did; with 2 when the environment is wrong. Start reading at main.
 */
#define _DEFAULT_SOURCE 1
#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "client.h"
#include "cobs.h"
#include "settings.h"

enum { WAIT_MS = 100, PATIENCE_US = 60000000, LINE_BYTES = 4096 };

struct carrier {
    int file;
    struct sockaddr_storage bench;
    socklen_t bench_bytes;
    /* Of a serial line only. */
    struct ps_cobs cobs;
    uint8_t line[LINE_BYTES];
    size_t line_used, line_at;
};

static uint32_t now_us(void *context)
{
    struct timespec now;
    (void)context;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint32_t)((uint64_t)now.tv_sec * 1000000 + (uint64_t)now.tv_nsec / 1000);
}

static int complain(const char *what, const char *found)
{
    fprintf(stderr, "firmware: %s: %s\n", what, found);
    return 2;
}

/* ------------------------------------------------------------------------------------------------------------- UDP */

static bool udp_send(void *context, const uint8_t *frame, size_t length)
{
    const struct carrier *carrier = context;
    /* A datagram that cannot leave is as good as one that was lost: it is said again. */
    return 0 <= send(carrier->file, frame, length, 0) || errno != EBADF;
}

static int32_t udp_receive(void *context, uint8_t *frame, size_t room)
{
    const struct carrier *carrier = context;
    ssize_t length = recv(carrier->file, frame, room, 0);
    if (length < 0 && errno == ECONNREFUSED) {
        /* Nobody listens there: not yet, or not any more. */
        poll(NULL, 0, WAIT_MS);
    }
    return length < 0 ? 0 : (int32_t)length;
}

/* Connected anew, so that the system drops what comes from elsewhere. */
static bool udp_follow(void *context, uint16_t port)
{
    struct carrier *carrier = context;
    if (carrier->bench.ss_family == AF_INET6) {
        struct sockaddr_in6 address;
        memcpy(&address, &carrier->bench, sizeof address);
        address.sin6_port = htons(port);
        memcpy(&carrier->bench, &address, sizeof address);
    } else {
        struct sockaddr_in address;
        memcpy(&address, &carrier->bench, sizeof address);
        address.sin_port = htons(port);
        memcpy(&carrier->bench, &address, sizeof address);
    }
    return connect(carrier->file, (const struct sockaddr *)&carrier->bench, carrier->bench_bytes) == 0;
}

/* HOST:PORT, an IPv6 host in brackets. */
static int udp_open(struct carrier *carrier, char *host)
{
    char *port = strrchr(host, ':');
    struct addrinfo wanted, *found = NULL;
    memset(&wanted, 0, sizeof wanted);
    wanted.ai_socktype = SOCK_DGRAM;
    if (port == NULL) {
        return complain("PLANTSTAND_LINK has no port, should be udp:HOST:PORT", host);
    }
    *port++ = '\0';
    if (host[0] == '[' && host[strlen(host) - 1] == ']') {
        host[strlen(host) - 1] = '\0';
        host++;
    }
    int wrong = getaddrinfo(host, port, &wanted, &found);
    if (wrong != 0) {
        return complain(host, gai_strerror(wrong));
    }
    memcpy(&carrier->bench, found->ai_addr, found->ai_addrlen);
    carrier->bench_bytes = found->ai_addrlen;
    freeaddrinfo(found);
    carrier->file = socket(carrier->bench.ss_family, SOCK_DGRAM, 0);
    struct timeval wait = { .tv_sec = 0, .tv_usec = WAIT_MS * 1000 };
    if (carrier->file < 0 || setsockopt(carrier->file, SOL_SOCKET, SO_RCVTIMEO, &wait, sizeof wait) != 0
        || connect(carrier->file, (const struct sockaddr *)&carrier->bench, carrier->bench_bytes) != 0) {
        return complain("no socket to the bench", strerror(errno));
    }
    return 0;
}

/* ---------------------------------------------------------------------------------------------------------- serial */

static bool serial_send(void *context, const uint8_t *frame, size_t length)
{
    const struct carrier *carrier = context;
    uint8_t line[PS_COBS_ROOM(PS_FRAME_BYTES_MAX)];
    size_t used = ps_cobs_put(line, frame, length);
    for (size_t at = 0; at < used;) {
        ssize_t written = write(carrier->file, line + at, used - at);
        if (written < 0 && errno != EINTR) {
            return false;
        }
        at += written < 0 ? 0 : (size_t)written;
    }
    return true;
}

static int32_t serial_receive(void *context, uint8_t *frame, size_t room)
{
    struct carrier *carrier = context;
    struct pollfd readable = { .fd = carrier->file, .events = POLLIN, .revents = 0 };
    for (;;) {
        while (carrier->line_at < carrier->line_used) {
            size_t length = ps_cobs_take(&carrier->cobs, carrier->line[carrier->line_at++]);
            if (length != 0) {
                length = length < room ? length : room;
                memcpy(frame, carrier->cobs.frame, length);
                return (int32_t)length;
            }
        }
        if (poll(&readable, 1, WAIT_MS) == 0) {
            return 0;
        }
        ssize_t came = read(carrier->file, carrier->line, sizeof carrier->line);
        if (came == 0 || (came < 0 && errno != EINTR)) {
            return -1;
        }
        carrier->line_at = 0;
        carrier->line_used = came < 0 ? 0 : (size_t)came;
    }
}

static speed_t speed_of(long baud)
{
    static const struct { long baud; speed_t speed; } SPEEDS[] = {
        { 9600, B9600 }, { 19200, B19200 }, { 38400, B38400 }, { 57600, B57600 }, { 115200, B115200 },
        { 230400, B230400 }, { 460800, B460800 }, { 500000, B500000 }, { 576000, B576000 }, { 921600, B921600 },
        { 1000000, B1000000 }, { 1152000, B1152000 }, { 1500000, B1500000 }, { 2000000, B2000000 },
        { 2500000, B2500000 }, { 3000000, B3000000 }, { 3500000, B3500000 }, { 4000000, B4000000 }
    };
    for (size_t row = 0; row < sizeof SPEEDS / sizeof SPEEDS[0]; row++) {
        if (SPEEDS[row].baud == baud) {
            return SPEEDS[row].speed;
        }
    }
    return B0;
}

/* PATH:BAUD; eight bits, no parity, one stop bit, no flow control. */
static int serial_open(struct carrier *carrier, char *path)
{
    char *baud = strrchr(path, ':');
    struct termios terms;
    if (baud == NULL) {
        return complain("PLANTSTAND_LINK has no baud rate, should be serial:PATH:BAUD", path);
    }
    *baud++ = '\0';
    speed_t speed = speed_of(strtol(baud, NULL, 10));
    if (speed == B0) {
        return complain("no tty has this baud rate", baud);
    }
    carrier->file = open(path, O_RDWR | O_NOCTTY);
    if (carrier->file < 0 || tcgetattr(carrier->file, &terms) != 0) {
        return complain(path, strerror(errno));
    }
    cfmakeraw(&terms);
    terms.c_cflag |= CLOCAL | CREAD;
    terms.c_cc[VMIN] = 1;
    terms.c_cc[VTIME] = 0;
    if (cfsetispeed(&terms, speed) != 0 || cfsetospeed(&terms, speed) != 0
        || tcsetattr(carrier->file, TCSANOW, &terms) != 0) {
        return complain(path, strerror(errno));
    }
    return 0;
}

/* ----------------------------------------------------------------------------------------------------- environment */

static bool token_from(const char *hex, uint8_t *token)
{
    static const char DIGITS[] = "0123456789abcdef";
    for (size_t at = 0; at < 2 * PS_TOKEN_BYTES; at++) {
        char digit = hex[at] >= 'A' && hex[at] <= 'F' ? (char)(hex[at] + ('a' - 'A')) : hex[at];
        const char *place = digit == '\0' ? NULL : strchr(DIGITS, digit);
        if (place == NULL) {
            return false;
        }
        token[at / 2] = (uint8_t)(token[at / 2] << 4 | (place - DIGITS));
    }
    return hex[2 * PS_TOKEN_BYTES] == '\0';
}

/* Replaces a setting by the number of this name in the environment, if there is one. */
static bool replaced(const char *name, double *setting)
{
    const char *text = getenv(name);
    char *end = NULL;
    if (text == NULL) {
        return true;
    }
    *setting = strtod(text, &end);
    return end != text && *end == '\0' && 0.0 <= *setting && *setting <= 1e9;
}

static bool settings_from_environment(struct ps_settings *settings)
{
    return replaced("GAIN_NMS_PER_RAD", &settings->gain_nms_per_rad) && replaced("RESET_TIME_S", &settings->reset_time_s)
           && replaced("TORQUE_LOWPASS_HZ", &settings->torque_lowpass_hz)
           && replaced("TORQUE_LIMIT_NM", &settings->torque_limit_nm)
           && replaced("COUNTS_PER_TURN", &settings->counts_per_turn) && 1.0 <= settings->counts_per_turn;
}

int main(void)
{
    static struct ps_client client;
    static struct carrier carrier;
    static char link[4096];
    struct ps_port udp = { udp_send, udp_receive, now_us, udp_follow, &carrier };
    struct ps_port serial = { serial_send, serial_receive, now_us, NULL, &carrier };
    struct ps_settings settings = PS_SETTINGS;
    uint8_t token[PS_TOKEN_BYTES] = { 0 };
    const char *link_text = getenv("PLANTSTAND_LINK"), *token_text = getenv("PLANTSTAND_TOKEN");
    if (link_text == NULL || sizeof link <= strlen(link_text)) {
        return complain("PLANTSTAND_LINK", "missing; should be udp:HOST:PORT or serial:PATH:BAUD, as the bench sets it");
    }
    if (token_text != NULL && !token_from(token_text, token)) {
        return complain("PLANTSTAND_TOKEN", "should be 32 hex digits, as the bench prints it");
    }
    if (!settings_from_environment(&settings)) {
        return complain("a setting in the environment", "should be a number from 0 on, counts per turn from 1 on");
    }
    memcpy(link, link_text, strlen(link_text) + 1);
    bool is_udp = strncmp(link, "udp:", 4) == 0;
    if (!is_udp && strncmp(link, "serial:", 7) != 0) {
        return complain("PLANTSTAND_LINK should begin with udp: or serial:", link);
    }
    int wrong = is_udp ? udp_open(&carrier, link + 4) : serial_open(&carrier, link + 7);
    if (wrong != 0) {
        return wrong;
    }
    ps_client_run(&client, is_udp ? &udp : &serial, &settings, token, "firmware on linux", PATIENCE_US);
    struct ps_text report;
    ps_client_report(&client, &report);
    printf("firmware: %s\n", ps_client_end_words(&client));
    if (client.words.bytes_used != 0) {
        printf("firmware: %.*s\n", (int)client.words.bytes_used, (const char *)client.words.bytes);
    }
    printf("firmware: %.*s\n", (int)report.bytes_used, (const char *)report.bytes);
    fflush(stdout);
    ps_client_leave(&client);
    return client.end == PS_END_RESULT ? 0 : 1;
}
