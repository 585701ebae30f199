/* encoder.h: the frames of a sensor node in C99; nothing is allocated, nothing is global.
 *
 * Every function writes into a buffer of yours and returns how many bytes it wrote, or 0 if there was not enough room.
 * warm_body_* make a frame body: a BLE notification is one body. On a serial line send warm_line(body) instead.
 * README.md explains the fields; vectors.json holds examples. Licence: Apache-2.0, as the rest.
 */
#ifndef WARM_ENCODER_H
#define WARM_ENCODER_H

#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#define WARM_VERSION 1u
#define WARM_HEADER 20u
#define WARM_OVERHEAD 24u /* header and CRC-32 */
#define WARM_LONGEST 4096u
#define WARM_LINE_ROOM(n) ((n) + (n) / 254u + 2u) /* room for a body of n bytes on a serial line */
#define WARM_MISSING INT32_MIN                    /* an int32 sample that there is not; a float32 one is NaN */
#define WARM_RESENT 1u                            /* flag: sent again on request */

enum warm_type {
    WARM_DESCRIBE = 1,
    WARM_SAMPLES = 2,
    WARM_HEALTH = 3,
    WARM_ECHO = 4,
    WARM_END = 5,
    WARM_HELLO = 16,
    WARM_RESEND = 17,
    WARM_ECHO_REQUEST = 18,
    WARM_STOP = 19
};

/* One frame, as written and as read; payload points into the buffer that was read. */
struct warm_frame {
    uint8_t type;
    uint8_t group;
    uint8_t flags;
    uint16_t boot;
    uint16_t count;
    uint32_t seq;
    uint64_t tick_us;
    const uint8_t *payload;
    size_t payload_size;
};

static inline void warm_put(uint8_t *out, uint64_t value, unsigned bytes) {
    for (unsigned i = 0; i < bytes; i++) {
        out[i] = (uint8_t)(value >> (8u * i));
    }
}

static inline uint64_t warm_get(const uint8_t *in, unsigned bytes) {
    uint64_t value = 0;
    for (unsigned i = 0; i < bytes; i++) {
        value |= (uint64_t)in[i] << (8u * i);
    }
    return value;
}

/* CRC-32 of IEEE 802.3: "123456789" gives 0xCBF43926. */
static inline uint32_t warm_crc32(const uint8_t *data, size_t size) {
    uint32_t crc = 0xFFFFFFFFu;
    for (size_t i = 0; i < size; i++) {
        crc ^= data[i];
        for (int bit = 0; bit < 8; bit++) {
            crc = (crc >> 1) ^ (0xEDB88320u & (0u - (crc & 1u)));
        }
    }
    return ~crc;
}

/* Header and CRC around a payload that already stands at out + WARM_HEADER. */
static inline size_t warm_close(uint8_t *out, const struct warm_frame *f) {
    out[0] = WARM_VERSION;
    out[1] = f->type;
    warm_put(out + 2, f->boot, 2);
    out[4] = f->group;
    out[5] = f->flags;
    warm_put(out + 6, f->count, 2);
    warm_put(out + 8, f->seq, 4);
    warm_put(out + 12, f->tick_us, 8);
    size_t end = WARM_HEADER + f->payload_size;
    warm_put(out + end, warm_crc32(out, end), 4);
    return end + 4u;
}

static inline int warm_fits(size_t room, size_t payload_size) {
    return payload_size <= WARM_LONGEST - WARM_OVERHEAD && payload_size + WARM_OVERHEAD <= room;
}

/* Any frame: echo and end are made with it as well. */
static inline size_t warm_body(uint8_t *out, size_t room, const struct warm_frame *f) {
    if (!warm_fits(room, f->payload_size)) {
        return 0;
    }
    if (f->payload_size > 0) {
        memcpy(out + WARM_HEADER, f->payload, f->payload_size);
    }
    return warm_close(out, f);
}

/* How many describe frames a description needs where each body may have `room` bytes; 0 if none fits. */
static inline uint16_t warm_describe_total(size_t json_size, size_t room) {
    if (room <= WARM_OVERHEAD + 6u || json_size == 0) {
        return 0;
    }
    size_t each = (room > WARM_LONGEST ? WARM_LONGEST : room) - WARM_OVERHEAD - 6u;
    size_t total = (json_size + each - 1u) / each;
    return total > 0xFFFFu ? 0 : (uint16_t)total;
}

/* Fragment `index` (0 .. total - 1) of the description; `revision` changes whenever the description does. */
static inline size_t warm_body_describe(uint8_t *out, size_t room, uint16_t boot, uint64_t tick_us, uint16_t revision,
                                        uint16_t index, const char *json, size_t json_size) {
    uint16_t total = warm_describe_total(json_size, room);
    if (index >= total) {
        return 0;
    }
    size_t each = (room > WARM_LONGEST ? WARM_LONGEST : room) - WARM_OVERHEAD - 6u;
    size_t start = (size_t)index * each;
    size_t size = json_size - start < each ? json_size - start : each;
    struct warm_frame f = {.type = WARM_DESCRIBE, .boot = boot, .seq = index, .tick_us = tick_us};
    f.payload_size = size + 6u;
    warm_put(out + WARM_HEADER, revision, 2);
    warm_put(out + WARM_HEADER + 2, index, 2);
    warm_put(out + WARM_HEADER + 4, total, 2);
    memcpy(out + WARM_HEADER + 6, json + start, size);
    return warm_close(out, &f);
}

/* Where a frame of samples stands: tick_us is the node's clock at the last row, seq counts the group's frames. */
struct warm_place {
    uint16_t boot;
    uint8_t group;
    uint8_t flags;
    uint32_t seq;
    uint64_t tick_us;
};

static inline size_t warm_samples_(uint8_t *out, size_t room, const struct warm_place *at, uint16_t rows,
                                   uint16_t channels, const void *values, int is_float) {
    size_t size = (size_t)rows * channels * 4u;
    if (rows == 0 || channels == 0 || !warm_fits(room, size)) {
        return 0;
    }
    for (size_t i = 0; i < size / 4u; i++) {
        uint32_t bits;
        if (is_float) {
            memcpy(&bits, (const float *)values + i, 4);
        } else {
            bits = (uint32_t)((const int32_t *)values)[i];
        }
        warm_put(out + WARM_HEADER + 4u * i, bits, 4);
    }
    struct warm_frame f = {.type = WARM_SAMPLES, .boot = at->boot, .group = at->group, .flags = at->flags};
    f.count = rows;
    f.seq = at->seq;
    f.tick_us = at->tick_us;
    f.payload_size = size;
    return warm_close(out, &f);
}

/* Rows of a group, oldest first: values[row * channels + channel], in the order of the description. */
static inline size_t warm_body_int32(uint8_t *out, size_t room, const struct warm_place *at, uint16_t rows,
                                     uint16_t channels, const int32_t *values) {
    return warm_samples_(out, room, at, rows, channels, values, 0);
}

static inline size_t warm_body_float32(uint8_t *out, size_t room, const struct warm_place *at, uint16_t rows,
                                       uint16_t channels, const float *values) {
    return warm_samples_(out, room, at, rows, channels, values, 1);
}

/* Health: supply in mV, temperature in tenths of a degC, samples that were never sent, seconds since the start. */
static inline size_t warm_body_health(uint8_t *out, size_t room, uint16_t boot, uint64_t tick_us, uint16_t supply_mv,
                                      int16_t temperature_ddegc, uint32_t dropped, uint32_t uptime_s) {
    char json[96];
    int tenths = temperature_ddegc < 0 ? -temperature_ddegc : temperature_ddegc;
    int size = snprintf(json, sizeof json,
                        "{\"supply_mv\":%u,\"temperature_degc\":%s%d.%d,\"dropped\":%lu,\"uptime_s\":%lu}", supply_mv,
                        temperature_ddegc < 0 ? "-" : "", tenths / 10, tenths % 10, (unsigned long)dropped,
                        (unsigned long)uptime_s);
    if (size <= 0 || (size_t)size >= sizeof json) {
        return 0;
    }
    struct warm_frame f = {.type = WARM_HEALTH, .boot = boot, .tick_us = tick_us};
    f.payload = (const uint8_t *)json;
    f.payload_size = (size_t)size;
    return warm_body(out, room, &f);
}

/* The answer to an echo request: the host's eight bytes again; tick_us is the clock as it is sent. */
static inline size_t warm_body_echo(uint8_t *out, size_t room, uint16_t boot, uint64_t tick_us,
                                    const struct warm_frame *request) {
    struct warm_frame f = {.type = WARM_ECHO, .boot = boot, .tick_us = tick_us};
    f.payload = request->payload;
    f.payload_size = request->payload_size;
    return warm_body(out, room, &f);
}

static inline size_t warm_body_end(uint8_t *out, size_t room, uint16_t boot, uint64_t tick_us) {
    struct warm_frame f = {.type = WARM_END, .boot = boot, .tick_us = tick_us};
    return warm_body(out, room, &f);
}

/* A body as it goes on a serial line: COBS, then 0x00. `out` must not overlap `body`. */
static inline size_t warm_line(uint8_t *out, size_t room, const uint8_t *body, size_t size) {
    size_t code_at = 0, to = 1;
    uint8_t code = 1;
    if (room < WARM_LINE_ROOM(size)) {
        return 0;
    }
    for (size_t i = 0; i < size; i++) {
        if (body[i] != 0) {
            out[to++] = body[i];
            code++;
        }
        if (body[i] == 0 || (code == 0xFF && i + 1 < size)) {
            out[code_at] = code;
            code_at = to++;
            code = 1;
        }
    }
    out[code_at] = code;
    out[to++] = 0;
    return to;
}

/* What a host sent. Returns 0, or a reason: 1 length, 2 checksum, 3 version. Count it and wait for the next frame. */
static inline int warm_read(struct warm_frame *f, const uint8_t *body, size_t size) {
    if (size < WARM_OVERHEAD || size > WARM_LONGEST) {
        return 1;
    }
    if (warm_crc32(body, size - 4u) != (uint32_t)warm_get(body + size - 4u, 4)) {
        return 2;
    }
    if (body[0] != WARM_VERSION) {
        return 3;
    }
    f->type = body[1];
    f->boot = (uint16_t)warm_get(body + 2, 2);
    f->group = body[4];
    f->flags = body[5];
    f->count = (uint16_t)warm_get(body + 6, 2);
    f->seq = (uint32_t)warm_get(body + 8, 4);
    f->tick_us = warm_get(body + 12, 8);
    f->payload = body + WARM_HEADER;
    f->payload_size = size - WARM_OVERHEAD;
    return 0;
}

/* Bytes from a serial line, one at a time. Set all to zero before the first. 64 bytes hold every request of a host. */
struct warm_receiver {
    uint8_t body[64];
    size_t size;
    uint8_t left;     /* bytes left in this COBS block */
    uint8_t zero_due; /* a zero stands between this block and the next */
    uint8_t spoilt;   /* too long, or broken: wait for the delimiter */
};

/* Returns the size of a body that this byte completes (it stands in r->body), else 0. */
static inline size_t warm_receive(struct warm_receiver *r, uint8_t byte) {
    size_t done = 0;
    if (byte == 0) {
        done = r->spoilt || r->left ? 0 : r->size;
        r->size = 0;
        r->left = r->zero_due = r->spoilt = 0;
        return done;
    }
    if (r->left == 0) {
        if (r->zero_due && r->size < sizeof r->body) {
            r->body[r->size++] = 0;
        } else if (r->zero_due) {
            r->spoilt = 1;
        }
        r->left = (uint8_t)(byte - 1u);
        r->zero_due = byte != 0xFF;
    } else if (r->size < sizeof r->body) {
        r->body[r->size++] = byte;
        r->left--;
    } else {
        r->spoilt = 1;
        r->left--;
    }
    return done;
}

#endif
