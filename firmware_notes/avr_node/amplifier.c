#include "amplifier.h"

#define D17 (1UL << 17)
#define D3 (1UL << 3)
#define FAULT (1UL << 16)

static int16_t sign_extended(uint16_t value, uint8_t bits) {
    const uint16_t sign = (uint16_t)(1u << (bits - 1));
    return (int16_t)((value ^ sign) - sign);
}

struct frame frame_of(uint32_t word) {
    struct frame frame = { BUS, 0, 0 };
    if (word == 0 || word == 0xFFFFFFFFUL || (word & (D17 | D3)))
        return frame;
    const uint8_t causes = word & 7;
    /* The summary bit and its causes must agree, or nothing in the frame can be trusted. */
    if (((word & FAULT) != 0) != (causes != 0))
        return frame;
    frame.sixteenths = sign_extended((word >> 4) & 0x0FFF, 12);
    if (causes & 1)
        frame.state = OPEN;
    else if (causes & 2)
        frame.state = SHORT_GND;
    else if (causes & 4)
        frame.state = SHORT_VCC;
    else {
        frame.state = OK;
        frame.quarters = sign_extended(word >> 18, 14);
    }
    return frame;
}

const char *state_word(enum state state) {
    switch (state) {
    case OPEN: return "open";
    case SHORT_GND: return "short-gnd";
    case SHORT_VCC: return "short-vcc";
    case BUS: return "bus";
    default: return "";
    }
}

void mean_begin(struct mean *mean) {
    const struct mean empty = { 0, 0, 0, 0, 0, BUS };
    *mean = empty;
}

void mean_take(struct mean *mean, struct frame frame) {
    mean->all++;
    if (frame.state != BUS) {
        mean->sixteenths_sum += frame.sixteenths;
        mean->with_junction++;
    }
    if (frame.state == OK) {
        mean->quarters_sum += frame.quarters;
        mean->good++;
    } else
        mean->last_fault = frame.state;
}

enum state mean_state(const struct mean *mean) {
    return mean->good > 0 && 2 * mean->good >= mean->all ? OK : mean->last_fault;
}

static int32_t rounded(int32_t numerator, int32_t denominator) {
    const int32_t half = denominator / 2;
    return numerator < 0 ? -((-numerator + half) / denominator) : (numerator + half) / denominator;
}

int32_t mean_hundredths(const struct mean *mean) { return rounded(25 * mean->quarters_sum, mean->good); }

int32_t mean_junction_hundredths(const struct mean *mean) {
    return mean->with_junction ? rounded(25 * mean->sixteenths_sum, 4 * (int32_t)mean->with_junction) : 0;
}
