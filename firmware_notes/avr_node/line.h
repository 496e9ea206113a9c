/* One line on the wire: a SenML pack (RFC 8428), a space, its CRC-32 in 8 hex digits, a line feed. No hardware in here. */
#ifndef LINE_H
#define LINE_H

#include "amplifier.h"

/* Where the bytes go, one by one; there is no room to hold a line, and no need to. */
typedef void (*put_byte)(char byte);

struct line {
    put_byte put;
    uint32_t crc;
    uint8_t records;
};

void line_begin(struct line *line, put_byte put, const char *bucket);

/* One probe: its value, or the word for why there is none; and the cold junction, which the watch needs to correct the
 * amplifier's straight line. */
void line_probe(struct line *line, const char *probe, const struct mean *mean);

void line_end(struct line *line);

#endif
