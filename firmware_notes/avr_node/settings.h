/* What differs from shed to shed. Change it here, then build again. */
#ifndef SETTINGS_H
#define SETTINGS_H

/* The bucket's name: letters, digits and - . _ (RFC 8428, section 4.5.1), as in emberpail.toml. */
#ifndef BUCKET
#define BUCKET "shed-1"
#endif

/* Each probe has an amplifier of its own on the shared bus; only the chip-select line differs (port B, or port C from
 * 16 on). The order is that of the line. Leave out what is not there: a missing amplifier is reported as a fault. */
#ifndef PROBES
#define PROBES { "core", PIN_B(2) }, { "ambient", PIN_B(1) }
#endif

#define PIN_B(bit) (bit)
#define PIN_C(bit) (16 + (bit))

/* Seconds between two lines, 5 to 10. */
#ifndef PERIOD_S
#define PERIOD_S 5
#endif

/* 38400 divides a clock of 16 MHz with an error of 0.2 %; 115200 would be off by 2 %. */
#define BAUD 38400UL

#endif
