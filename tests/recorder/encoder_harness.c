/* Drives firmware_notes/encoder.h for the tests: a request a line on standard input, an answer a line on standard
 * output. Bodies are answered as "BODY LINE" in hexadecimal, several separated by spaces; "-" is nothing. */
#include <stdlib.h>

#include "encoder.h"

static char request[1 << 16];
static uint8_t bytes[1 << 15], body[WARM_LONGEST + 64], line[WARM_LINE_ROOM(WARM_LONGEST)];
static int32_t ints[1 << 13];
static float floats[1 << 13];

static size_t unhex(const char *text) {
    size_t n = 0;
    for (; text[0] && text[1] && text[0] != '-'; text += 2) {
        unsigned value;
        if (sscanf(text, "%2x", &value) != 1) {
            exit(3);
        }
        bytes[n++] = (uint8_t)value;
    }
    return n;
}

static void hex(const uint8_t *data, size_t size) {
    if (size == 0) {
        fputs("-", stdout);
    }
    for (size_t i = 0; i < size; i++) {
        printf("%02x", (unsigned)data[i]);
    }
}

static void answer(size_t size) {
    hex(body, size);
    fputs(" ", stdout);
    hex(line, size ? warm_line(line, sizeof line, body, size) : 0);
    fputs(" ", stdout);
}

static void samples(const char *rest, int is_float) {
    unsigned at_boot, group, flags, channels, rows;
    unsigned long seq, room;
    unsigned long long tick;
    static char values[1 << 16];
    if (sscanf(rest, "%u %u %u %lu %llu %u %u %lu %65535s", &at_boot, &group, &flags, &seq, &tick, &channels, &rows, &room,
               values) != 9) {
        exit(4);
    }
    size_t n = unhex(values) / 4u;
    for (size_t i = 0; i < n; i++) {
        uint32_t bits = (uint32_t)warm_get(bytes + 4u * i, 4);
        memcpy(&ints[i], &bits, 4);
        memcpy(&floats[i], &bits, 4);
    }
    struct warm_place at = {(uint16_t)at_boot, (uint8_t)group, (uint8_t)flags, (uint32_t)seq, tick};
    answer(is_float ? warm_body_float32(body, room, &at, (uint16_t)rows, (uint16_t)channels, floats)
                    : warm_body_int32(body, room, &at, (uint16_t)rows, (uint16_t)channels, ints));
}

static void describe(const char *rest) {
    unsigned at_boot, revision;
    unsigned long room;
    unsigned long long tick;
    static char text[1 << 16];
    if (sscanf(rest, "%u %llu %u %lu %65535s", &at_boot, &tick, &revision, &room, text) != 5) {
        exit(5);
    }
    size_t size = unhex(text);
    unsigned total = warm_describe_total(size, room);
    for (unsigned i = 0; i < total; i++) {
        answer(warm_body_describe(body, room < sizeof body ? room : sizeof body, (uint16_t)at_boot, tick,
                                  (uint16_t)revision, (uint16_t)i, (const char *)bytes, size));
    }
    if (total == 0) {
        fputs("- - ", stdout);
    }
}

static void small(char kind, const char *rest) {
    unsigned at_boot, mv = 0;
    int temperature = 0;
    unsigned long dropped = 0, uptime = 0;
    unsigned long long tick;
    char text[256] = "-";
    if (sscanf(rest, "%u %llu", &at_boot, &tick) != 2) {
        exit(6);
    }
    if (kind == 'H') {
        sscanf(rest, "%*u %*u %u %d %lu %lu", &mv, &temperature, &dropped, &uptime);
        answer(warm_body_health(body, sizeof body, (uint16_t)at_boot, tick, (uint16_t)mv, (int16_t)temperature,
                                (uint32_t)dropped, (uint32_t)uptime));
    } else if (kind == 'E') {
        struct warm_frame asked = {.type = WARM_ECHO_REQUEST};
        sscanf(rest, "%*u %*u %255s", text);
        asked.payload_size = unhex(text);
        asked.payload = bytes;
        answer(warm_body_echo(body, sizeof body, (uint16_t)at_boot, tick, &asked));
    } else {
        answer(warm_body_end(body, sizeof body, (uint16_t)at_boot, tick));
    }
}

static void read_body(const char *text) {
    struct warm_frame f;
    size_t size = unhex(text);
    int reason = warm_read(&f, bytes, size);
    if (reason) {
        printf("refused %d", reason);
        return;
    }
    printf("%u %u %u %u %u %lu %llu ", f.type, f.boot, f.group, f.flags, f.count, (unsigned long)f.seq,
           (unsigned long long)f.tick_us);
    hex(f.payload, f.payload_size);
}

static void receive(const char *text) {
    struct warm_receiver r = {.size = 0};
    size_t n = unhex(text);
    for (size_t i = 0; i < n; i++) {
        size_t size = warm_receive(&r, bytes[i]);
        if (size) {
            hex(r.body, size);
            fputs(" ", stdout);
        }
    }
}

int main(void) {
    while (fgets(request, sizeof request, stdin)) {
        const char *rest = request + 2;
        request[strcspn(request, "\n")] = 0;
        switch (request[0]) {
        case 'I':
        case 'F': samples(rest, request[0] == 'F'); break;
        case 'D': describe(rest); break;
        case 'R': read_body(rest); break;
        case 'L': receive(rest); break;
        default: small(request[0], rest); break;
        }
        fputs("\n", stdout);
        fflush(stdout);
    }
    return 0;
}
