/*
 * The firmware on a Cortex-M3 board, the emulated emcraft-sf2: start-up, two UARTs, a clock.
 *
 * The first UART is the link; its interrupt puts what comes into a ring, and the processor sleeps while that is empty.
 * The second UART gets lines for people. When the run is over the board asks for a reset, which ends the emulator when
 * it was started with -no-reboot. A board has no environment: the token stands in its first words of memory, where the
 * launcher puts it (run_qemu.sh); all zeros when nobody does. Nothing here needs a library but the compiler's own, which
 * does the arithmetic of doubles. Start reading at run.
 */
#include "client.h"
#include "cobs.h"
#include "settings.h"

/* ------------------------------------------------------------------------------------------------ what the board has */

/* A UART of the 16550 family, its registers a word apart. While DIVISOR_OPEN is set the first two hold the divisor. */
struct uart {
    volatile uint32_t data;
    volatile uint32_t interrupts;
    volatile uint32_t fifo;
    volatile uint32_t line;
    volatile uint32_t modem;
    volatile uint32_t state;
};

enum { STATE_CAME = 0x01, STATE_SEND_EMPTY = 0x20 };
enum { LINE_8N1 = 0x03, LINE_DIVISOR_OPEN = 0x80 };
/* On, emptied, and an interrupt when fourteen bytes came or fewer have waited for the time of four. */
enum { FIFO_ON = 0xC7, INTERRUPT_ON_RECEIVE = 0x01, LINK_INTERRUPT = 10 };

#define AT(type, address) ((type *)(uintptr_t)(address))
#define LINK AT(struct uart, 0x40000000U)
#define PRINTER AT(struct uart, 0x40010000U)
#define SYSTICK_CONTROL (*AT(volatile uint32_t, 0xE000E010U))
#define SYSTICK_RELOAD (*AT(volatile uint32_t, 0xE000E014U))
#define SYSTICK_COUNT (*AT(volatile uint32_t, 0xE000E018U))
#define INTERRUPT_ENABLE (*AT(volatile uint32_t, 0xE000E100U))
#define INTERRUPT_STATE (*AT(volatile uint32_t, 0xE000ED04U))
#define RESET_CONTROL (*AT(volatile uint32_t, 0xE000ED0CU))

enum { CLOCK_HZ = 142000000, PERIOD_US = 1000, PERIOD_CLOCKS = CLOCK_HZ / 1000, WAIT_US = 100000 };

static const uint32_t SYSTICK_IS_DUE = UINT32_C(1) << 26;
static const uint32_t RESET_NOW = 0x05FA0004U;

/* The linker's script names these. */
extern uint32_t data_begin[], data_end[], data_image[], bss_begin[], bss_end[], stack_painted[], stack_top[];

/* The launcher's words: not cleared at the start. */
__attribute__((section(".given"))) static uint8_t given_token[PS_TOKEN_BYTES];

/* The compiler calls these for copies of structs. */
void *memcpy(void *to, const void *from, size_t length);
void *memset(void *to, int byte, size_t length);

void *memcpy(void *to, const void *from, size_t length)
{
    ps_copy(to, from, length);
    return to;
}

void *memset(void *to, int byte, size_t length)
{
    uint8_t *bytes = to;
    for (size_t at = 0; at < length; at++) {
        bytes[at] = (uint8_t)byte;
    }
    return to;
}

/* --------------------------------------------------------------------------------------------------------- the clock */

static volatile uint32_t periods;

static void on_systick(void)
{
    periods++;
}

static uint32_t now_us(void *context)
{
    uint32_t before, clocks, due;
    (void)context;
    do {
        before = periods;
        clocks = PERIOD_CLOCKS - 1 - SYSTICK_COUNT;
        due = INTERRUPT_STATE & SYSTICK_IS_DUE;
    } while (before != periods || due != 0);
    return before * PERIOD_US + clocks / (CLOCK_HZ / 1000000);
}

/* ---------------------------------------------------------------------------------------------------------- the link */

enum { RING_BYTES = 4096 };

static volatile uint8_t ring[RING_BYTES];
static volatile uint32_t ring_put, ring_taken;

static void on_link(void)
{
    while ((LINK->state & STATE_CAME) != 0) {
        uint8_t byte = (uint8_t)LINK->data;
        /* A ring that is full drops the byte: its frame is refused, and sent again. */
        if (ring_put - ring_taken < RING_BYTES) {
            ring[ring_put % RING_BYTES] = byte;
            ring_put++;
        }
    }
}

static void uart_start(struct uart *uart)
{
    uart->line = LINE_8N1 | LINE_DIVISOR_OPEN;
    uart->data = 1;
    uart->interrupts = 0;
    uart->line = LINE_8N1;
    uart->fifo = FIFO_ON;
}

static void uart_put(struct uart *uart, uint8_t byte)
{
    while ((uart->state & STATE_SEND_EMPTY) == 0) {
    }
    uart->data = byte;
}

static bool link_send(void *context, const uint8_t *frame, size_t length)
{
    static uint8_t line[PS_COBS_ROOM(PS_COMMAND_BYTES_MAX < 231 ? 231 : PS_COMMAND_BYTES_MAX)];
    (void)context;
    size_t used = ps_cobs_put(line, frame, length);
    for (size_t at = 0; at < used; at++) {
        uart_put(LINK, line[at]);
    }
    return true;
}

static int32_t link_receive(void *context, uint8_t *frame, size_t room)
{
    static struct ps_cobs cobs;
    uint32_t began_us = now_us(context);
    for (;;) {
        while (ring_taken != ring_put) {
            size_t length = ps_cobs_take(&cobs, ring[ring_taken % RING_BYTES]);
            ring_taken++;
            if (length != 0) {
                length = length < room ? length : room;
                ps_copy(frame, cobs.frame, length);
                return (int32_t)length;
            }
        }
        if (WAIT_US <= now_us(context) - began_us) {
            return 0;
        }
        /* Interrupts are held while the ring is looked at, so that none comes between look and sleep; one that is due
         * ends the sleep all the same. */
        __asm volatile("cpsid i" ::: "memory");
        if (ring_taken == ring_put) {
            __asm volatile("wfi" ::: "memory");
        }
        __asm volatile("cpsie i" ::: "memory");
    }
}

/* ---------------------------------------------------------------------------------------------------------- the start */

static void print(const char *words)
{
    for (; *words != '\0'; words++) {
        uart_put(PRINTER, (uint8_t)*words);
    }
}

static void print_text(const struct ps_text *text)
{
    print("firmware: ");
    for (size_t at = 0; at < text->bytes_used; at++) {
        uart_put(PRINTER, text->bytes[at]);
    }
    print("\n");
}

__attribute__((noreturn)) static void stop(void)
{
    RESET_CONTROL = RESET_NOW;
    for (;;) {
    }
}

__attribute__((noreturn)) static void on_fault(void)
{
    print("firmware: fault of the processor\n");
    stop();
}

/* Fills the memory between data and stack, so that one can see later how far down the stack came. */
static const uint32_t UNTOUCHED = 0xA5A5A5A5U;

static void paint_stack(void)
{
    for (volatile uint32_t *word = bss_end; word < stack_painted; word++) {
        *word = UNTOUCHED;
    }
}

static void print_stack(void)
{
    const volatile uint32_t *word = bss_end;
    while (word < stack_top && *word == UNTOUCHED) {
        word++;
    }
    uint32_t used = (uint32_t)((uintptr_t)stack_top - (uintptr_t)word);
    print("firmware: stack at most ");
    for (uint32_t place = 10000; 0 < place; place /= 10) {
        uart_put(PRINTER, (uint8_t)('0' + used / place % 10));
    }
    print(" bytes\n");
}

__attribute__((noreturn)) static void run(void)
{
    static struct ps_client client;
    static struct ps_text report;
    static const struct ps_port PORT = { link_send, link_receive, now_us, NULL, NULL };
    uart_start(LINK);
    uart_start(PRINTER);
    LINK->interrupts = INTERRUPT_ON_RECEIVE;
    SYSTICK_RELOAD = PERIOD_CLOCKS - 1;
    SYSTICK_COUNT = 0;
    SYSTICK_CONTROL = 7; /* on, with interrupt, by the processor's clock */
    INTERRUPT_ENABLE = UINT32_C(1) << LINK_INTERRUPT;
    ps_client_run(&client, &PORT, &PS_SETTINGS, given_token, "firmware on a board", 60000000);
    print("firmware: ");
    print(ps_client_end_words(&client));
    print("\n");
    if (client.words.bytes_used != 0) {
        print_text(&client.words);
    }
    print_stack();
    ps_client_report(&client, &report);
    print_text(&report);
    ps_client_leave(&client);
    stop();
}

__attribute__((noreturn)) void reset(void);

__attribute__((noreturn)) void reset(void)
{
    const uint32_t *from = data_image;
    for (uint32_t *to = data_begin; to < data_end; to++) {
        *to = *from++;
    }
    for (uint32_t *to = bss_begin; to < bss_end; to++) {
        *to = 0;
    }
    paint_stack();
    run();
}

/* The processor's own sixteen, then the board's: the link's first. */
struct vectors {
    uint32_t *stack;
    void (*handlers[15 + 11])(void);
};

extern const struct vectors VECTORS;
__attribute__((section(".vectors"), used)) const struct vectors VECTORS = {
    .stack = stack_top,
    .handlers = { reset, on_fault, on_fault, on_fault, on_fault, on_fault, on_fault, on_fault, on_fault, on_fault,
                  on_fault, on_fault, on_fault, on_fault, on_systick, on_fault, on_fault, on_fault, on_fault, on_fault,
                  on_fault, on_fault, on_fault, on_fault, on_fault, on_link }
};
