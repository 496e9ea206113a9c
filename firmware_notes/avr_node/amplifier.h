/* A MAX31855's frame: 32 bits, most significant first (datasheet 19-5793 Rev 5, tables 2 to 5). No hardware in here. */
#ifndef AMPLIFIER_H
#define AMPLIFIER_H

#include <stdint.h>

enum state { OK, OPEN, SHORT_GND, SHORT_VCC, BUS };

struct frame {
    enum state state;
    int16_t quarters;    /* thermocouple in 0.25 degrees, meaningless unless OK */
    int16_t sixteenths;  /* cold junction in 0.0625 degrees, meaningless when BUS */
};

/* What a frame says. D17 and D3 always read 0: with one of them set, or all bits alike, nobody answers on the bus. */
struct frame frame_of(uint32_t word);

/* The word for a state on the wire, as the watch knows it; "" for OK. */
const char *state_word(enum state state);

/* Several readings made one: their mean while at least half of them are good, else the newest fault. */
struct mean {
    int32_t quarters_sum, sixteenths_sum;
    uint8_t good, with_junction, all;
    enum state last_fault;
};

void mean_begin(struct mean *mean);
void mean_take(struct mean *mean, struct frame frame);
enum state mean_state(const struct mean *mean);

/* In hundredths of a degree, rounded half away from zero. */
int32_t mean_hundredths(const struct mean *mean);
int32_t mean_junction_hundredths(const struct mean *mean);

#endif
