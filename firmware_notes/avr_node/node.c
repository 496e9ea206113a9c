/* A probe node for an ATmega328P at 16 MHz: MAX31855 amplifiers on the SPI bus, one SenML line every few seconds.
 *
 * Eight readings a second are made; each line carries the mean of the last second, which is finer than the amplifier's
 * step of a quarter of a degree. The watchdog starts the part again when a turn takes longer than two seconds. There is
 * nothing to be lost: the node keeps no state, and its line carries no time, so the watch takes that of its arrival.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "line.h"
#include "settings.h"

#define READINGS_A_SECOND 8  /* the amplifier needs 100 ms for each (datasheet, conversion time at most) */

struct probe {
    const char *name;
    uint8_t select;
};

static const struct probe probes[] = { PROBES };
#define COUNT (sizeof probes / sizeof probes[0])

static struct mean means[COUNT];
static volatile uint8_t ticks;

/* Early, before main and before anything can hang: after a reset by the watchdog it still runs, and at its shortest. */
void watchdog_off(void) __attribute__((naked, used, section(".init3")));
void watchdog_off(void) {
    MCUSR = 0;
    wdt_disable();
}

ISR(TIMER1_COMPA_vect) { ticks++; }

static void select(uint8_t pin, uint8_t high) {
    volatile uint8_t *port = pin < 16 ? &PORTB : &PORTC;
    const uint8_t bit = (uint8_t)(1u << (pin & 15));
    if (high)
        *port |= bit;
    else
        *port &= (uint8_t)~bit;
}

static void setup(void) {
    /* Every chip select is high before it becomes an output, so that no amplifier is spoken to by the way. */
    for (uint8_t i = 0; i < COUNT; i++) {
        select(probes[i].select, 1);
        *(probes[i].select < 16 ? &DDRB : &DDRC) |= (uint8_t)(1u << (probes[i].select & 15));
    }
    /* SS (PB2) must be an output, or a low level there would turn the bus round; clock and data out are outputs. A
     * pull-up on data in makes a missing amplifier read as all ones, which is no frame. */
    DDRB |= _BV(PB2) | _BV(PB3) | _BV(PB5);
    PORTB |= _BV(PB4);
    SPCR = _BV(SPE) | _BV(MSTR) | _BV(SPR0); /* mode 0, 1 MHz: the amplifier allows 5 */

    UCSR0A = _BV(U2X0);
    UBRR0 = (uint16_t)(F_CPU / 8 / BAUD - 1);
    UCSR0B = _BV(TXEN0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00); /* 8N1 */

    TCCR1B = _BV(WGM12) | _BV(CS12); /* counts to OCR1A at F_CPU / 256 */
    OCR1A = (uint16_t)(F_CPU / 256 / READINGS_A_SECOND - 1);
    TIMSK1 = _BV(OCIE1A);
    set_sleep_mode(SLEEP_MODE_IDLE);
    wdt_enable(WDTO_2S);
    sei();
}

static uint32_t word_of(uint8_t pin) {
    uint32_t word = 0;
    select(pin, 0);
    for (uint8_t byte = 0; byte < 4; byte++) {
        SPDR = 0;
        while (!(SPSR & _BV(SPIF)))
            ;
        word = word << 8 | SPDR;
    }
    select(pin, 1); /* the next conversion begins now */
    return word;
}

static void put_serial(char byte) {
    while (!(UCSR0A & _BV(UDRE0)))
        ;
    UDR0 = (uint8_t)byte;
}

static void send(void) {
    struct line line;
    line_begin(&line, put_serial, BUCKET);
    for (uint8_t i = 0; i < COUNT; i++)
        line_probe(&line, probes[i].name, &means[i]);
    line_end(&line);
}

int main(void) {
    setup();
    for (;;) {
        for (uint8_t second = 0; second < PERIOD_S; second++) {
            for (uint8_t i = 0; i < COUNT; i++)
                mean_begin(&means[i]);
            for (uint8_t reading = 0; reading < READINGS_A_SECOND; reading++) {
                const uint8_t now = ticks;
                while (ticks == now)
                    sleep_mode();
                wdt_reset();
                for (uint8_t i = 0; i < COUNT; i++)
                    mean_take(&means[i], frame_of(word_of(probes[i].select)));
            }
        }
        send();
    }
}
