/* Runs the probe node's firmware in simavr: MAX31855 amplifiers on its SPI bus, its serial port on a pseudo-terminal.
 *
 * usage: avr_host FIRMWARE.elf SPEED
 *   SPEED 1 runs as fast as the real part, 20 twenty times as fast, 0 as fast as this computer can.
 * The line "terminal NAME" tells the pseudo-terminal's name. Lines on standard input change what the amplifiers say:
 *   B2 01901900    the amplifier selected by port B, bit 2 gives this frame from now on
 *   B2 -           it is not there
 *   hang           a disturbance switches the SPI bus off: the firmware waits for it for ever, until its watchdog bites
 *   quit
 * After each watchdog reset "reset" is printed.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#define MOST 16
#define SPCR_ADDRESS 0x4C /* ATmega328P */

struct amplifier {
    char port;
    int bit, present, selected, byte;
    unsigned long word;
};

static struct amplifier amplifiers[MOST];
static int count, terminal;
static avr_t *avr;
static int frozen;

static void selected(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    struct amplifier *one = param;
    one->selected = !value; /* active low; a falling edge begins the frame anew */
    if (one->selected)
        one->byte = 0;
}

static void shifted(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)value, (void)param;
    uint32_t answer = 0xFF; /* nobody drives the line: the pull-up */
    int talking = 0;
    for (int i = 0; i < count; i++)
        if (amplifiers[i].selected && amplifiers[i].present) {
            struct amplifier *one = &amplifiers[i];
            uint32_t byte = one->byte < 4 ? (one->word >> (24 - 8 * one->byte)) & 0xFF : 0xFF;
            one->byte++;
            answer = talking++ ? (answer & byte) : byte; /* two at once pull each other down */
        }
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT), answer);
}

static void sent(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq, (void)param;
    char byte = (char)value;
    if (write(terminal, &byte, 1) != 1) { /* nobody reads and the buffer is full: as on a real wire, it is gone */
    }
}

static struct amplifier *amplifier_at(char port, int bit) {
    for (int i = 0; i < count; i++)
        if (amplifiers[i].port == port && amplifiers[i].bit == bit)
            return &amplifiers[i];
    if (count == MOST)
        exit(3);
    struct amplifier *one = &amplifiers[count++];
    one->port = port, one->bit = bit;
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), bit), selected, one);
    return one;
}

static int obey(const char *line) {
    char port, word[32];
    int bit;
    if (!strncmp(line, "quit", 4))
        return 0;
    if (!strncmp(line, "hang", 4))
        frozen = 1;
    else if (sscanf(line, "%c%d %31s", &port, &bit, word) == 3) {
        struct amplifier *one = amplifier_at(port, bit);
        one->present = word[0] != '-';
        if (one->present)
            one->word = strtoul(word, NULL, 16);
    }
    return 1;
}

static int listen_to_input(void) {
    static char buffer[4096];
    static size_t held;
    struct pollfd input = { 0, POLLIN, 0 };
    while (poll(&input, 1, 0) > 0) {
        ssize_t got = read(0, buffer + held, sizeof buffer - held - 1);
        if (got <= 0)
            return 0;
        held += (size_t)got;
        buffer[held] = 0;
        char *from = buffer, *end;
        while ((end = strchr(from, '\n'))) {
            *end = 0;
            if (!obey(from))
                return 0;
            from = end + 1;
        }
        held = strlen(from);
        memmove(buffer, from, held + 1);
    }
    return 1;
}

/* While the part sleeps its clock runs on: we pace it ourselves, and do not wait in its place. */
static void no_sleep(avr_t *sleeping, avr_cycle_count_t cycles) { (void)sleeping, (void)cycles; }

static double seconds(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void open_terminal(void) {
    struct termios raw;
    terminal = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (terminal < 0 || grantpt(terminal) || unlockpt(terminal))
        exit(4);
    int other = open(ptsname(terminal), O_RDWR | O_NOCTTY);
    tcgetattr(other, &raw);
    cfmakeraw(&raw);
    tcsetattr(other, TCSANOW, &raw); /* kept open, so that the terminal outlives its readers */
    printf("terminal %s\n", ptsname(terminal));
    fflush(stdout);
}

int main(int argc, char *argv[]) {
    if (argc != 3)
        return 2;
    const double speed = atof(argv[2]);
    elf_firmware_t firmware = { 0 };
    if (elf_read_firmware(argv[1], &firmware))
        return 2;
    avr = avr_make_mcu_by_name("atmega328p");
    avr_init(avr);
    avr->frequency = 16000000;
    avr_load_firmware(avr, &firmware);
    avr->log = LOG_ERROR;
    avr->sleep = no_sleep;
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    open_terminal();
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), sent, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_OUTPUT), shifted, NULL);
    const double began = seconds();
    const avr_cycle_count_t began_cycle = avr->cycle;
    for (unsigned long step = 0;; step++) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed)
            return 5;
        if (step && avr->pc == avr->reset_pc) { /* nothing jumps there but a reset */
            printf("reset\n");
            fflush(stdout);
        }
        if (frozen) {
            avr->data[SPCR_ADDRESS] = 0;
            frozen = 0;
        }
        if (step % 2048 == 0) {
            if (!listen_to_input())
                return 0;
            if (speed > 0) {
                double ahead = (double)(avr->cycle - began_cycle) / 16e6 / speed - (seconds() - began);
                if (ahead > 0.001)
                    usleep((useconds_t)(1e6 * (ahead > 0.1 ? 0.1 : ahead)));
            }
        }
    }
}
