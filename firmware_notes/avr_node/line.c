#include "line.h"

/* CRC-32 as in Ethernet and zip: reflected, polynomial EDB88320h, begun with and turned by all ones. Check: the nine
 * digits "123456789" give CBF43926h. */
#define POLYNOMIAL 0xEDB88320UL

static void put(struct line *line, char byte) {
    line->crc ^= (uint8_t)byte;
    for (uint8_t bit = 0; bit < 8; bit++)
        line->crc = (line->crc & 1) ? (line->crc >> 1) ^ POLYNOMIAL : line->crc >> 1;
    line->put(byte);
}

static void put_text(struct line *line, const char *text) {
    while (*text)
        put(line, *text++);
}

static void put_hundredths(struct line *line, int32_t hundredths) {
    char digits[10];
    uint8_t n = 0;
    uint32_t rest = hundredths < 0 ? (uint32_t)-hundredths : (uint32_t)hundredths;
    if (hundredths < 0)
        put(line, '-');
    do {
        digits[n++] = (char)('0' + rest % 10);
        rest /= 10;
    } while (rest || n < 3);
    while (n) {
        if (n == 2)
            put(line, '.');
        put(line, digits[--n]);
    }
}

static void begin_record(struct line *line, const char *probe, const char *kind) {
    put_text(line, line->records++ ? ",{\"n\":\"" : "\"n\":\"");
    put_text(line, probe);
    put_text(line, kind);
    put(line, '"');
}

void line_begin(struct line *line, put_byte to, const char *bucket) {
    line->put = to;
    line->crc = 0xFFFFFFFFUL;
    line->records = 0;
    put_text(line, "[{\"bn\":\"");
    put_text(line, bucket);
    put_text(line, "/\",\"bu\":\"Cel\",");
}

void line_probe(struct line *line, const char *probe, const struct mean *mean) {
    const enum state state = mean_state(mean);
    begin_record(line, probe, "");
    if (state == OK) {
        put_text(line, ",\"v\":");
        put_hundredths(line, mean_hundredths(mean));
    } else {
        put_text(line, ",\"vs\":\"");
        put_text(line, state_word(state));
        put(line, '"');
    }
    put(line, '}');
    if (mean->with_junction) {
        begin_record(line, probe, "/cold-junction");
        put_text(line, ",\"v\":");
        put_hundredths(line, mean_junction_hundredths(mean));
        put(line, '}');
    }
}

void line_end(struct line *line) {
    put(line, ']');
    uint32_t crc = ~line->crc;
    line->put(' ');
    for (uint8_t digit = 0; digit < 8; digit++) {
        line->put("0123456789abcdef"[crc >> 28]);
        crc <<= 4;
    }
    line->put('\n');
}
