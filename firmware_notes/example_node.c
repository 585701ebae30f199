/* example_node.c: a whole node on standard input and output, to read beside README.md and to try a host against.
 *
 * Its sensors are invented: a sine on a ratiometric transducer, its supply, and a steady vent probe. On a real board
 * replace now_us(), sample() and the two calls on the line; the rest stays. An argument N leaves out every Nth frame
 * when it is first sent, as a bad line would: the host asks for it again.
 */
#define _POSIX_C_SOURCE 200112L
#include <math.h>
#include <poll.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

#include "encoder.h"

enum { CHANNELS = 3, ROWS = 5, RATE_HZ = 50, KEPT = 64, ROOM = 244 };

static const char DESCRIPTION[] =
    "{\"id\":\"example-c\",\"firmware\":\"example 1\",\"revision\":1,\"groups\":[{\"number\":0,\"rate_hz\":50,"
    "\"format\":\"int32\",\"channels\":["
    "{\"id\":\"low_side\",\"unit\":\"kPa\",\"reference\":\"vented_gauge\",\"range_low\":0,\"range_high\":1000,"
    "\"accuracy\":10,\"scale\":0.0001,\"raw_unit\":\"0.1 mV\",\"sensor\":\"0.5-4.5 V transducer\","
    "\"serial_number\":\"EX-1\",\"conversion\":{\"kind\":\"ratiometric\",\"low\":0,\"high\":1000,"
    "\"supply\":\"sensor_supply\"}},"
    "{\"id\":\"sensor_supply\",\"unit\":\"V\",\"scale\":0.001,\"raw_unit\":\"mV\"},"
    "{\"id\":\"vent\",\"unit\":\"degC\",\"accuracy\":0.5,\"scale\":0.01,\"raw_unit\":\"0.01 degC\"}]}]}";

/* Frames that were sent, for a host that asks again: frame seq stands in slot seq % KEPT. */
struct kept {
    uint32_t seq;
    uint64_t tick_us;
    int32_t values[ROWS * CHANNELS];
};

static struct kept ring[KEPT];
static uint32_t next_seq;
static uint16_t boot;

static uint64_t now_us(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (uint64_t)t.tv_sec * 1000000u + (uint64_t)t.tv_nsec / 1000u;
}

static void sample(uint64_t tick_us, int32_t *row) {
    double kpa = 250.0 + 150.0 * sin((double)tick_us / 1e6);
    row[0] = (int32_t)lround(4900.0 * 10.0 * (0.1 + 0.8 * kpa / 1000.0)); /* a supply of 4.9 V */
    row[1] = 4900;
    row[2] = (tick_us / 1000000u) % 7u == 6u ? WARM_MISSING : 815; /* now and then the probe has nothing to say */
}

static void send_body(const uint8_t *body, size_t size) {
    uint8_t line[WARM_LINE_ROOM(ROOM)];
    size_t left = size ? warm_line(line, sizeof line, body, size) : 0;
    const uint8_t *at = line;
    while (left > 0) {
        ssize_t written = write(STDOUT_FILENO, at, left);
        if (written <= 0) {
            exit(0); /* the host is gone */
        }
        at += written;
        left -= (size_t)written;
    }
}

static void send_samples(const struct kept *k, uint8_t flags) {
    uint8_t body[ROOM];
    struct warm_place at = {.boot = boot, .group = 0, .flags = flags, .seq = k->seq, .tick_us = k->tick_us};
    send_body(body, warm_body_int32(body, sizeof body, &at, ROWS, CHANNELS, k->values));
}

static void describe(void) {
    uint8_t body[ROOM];
    size_t size = sizeof DESCRIPTION - 1u;
    for (uint16_t i = 0; i < warm_describe_total(size, ROOM); i++) {
        send_body(body, warm_body_describe(body, sizeof body, boot, now_us(), 1, i, DESCRIPTION, size));
    }
}

/* Everything from the first frame wanted that is still kept; `count` 0 means all that there is. */
static void resend(const struct warm_frame *f) {
    uint32_t oldest = next_seq >= KEPT ? next_seq - KEPT + 1u : 0; /* one place holds the frame that is being filled */
    uint32_t end = f->count && f->seq + f->count < next_seq ? f->seq + f->count : next_seq;
    if (f->boot != boot || f->group != 0) {
        return;
    }
    for (uint32_t seq = f->seq > oldest ? f->seq : oldest; seq < end; seq++) {
        send_samples(&ring[seq % KEPT], WARM_RESENT);
    }
}

static void health(void) {
    uint8_t body[ROOM];
    uint64_t now = now_us();
    send_body(body, warm_body_health(body, sizeof body, boot, now, 4900, 312, 0, (uint32_t)(now / 1000000u)));
}

/* What the host says; returns whether samples are wanted from now on. */
static int obey(const struct warm_receiver *r, size_t size, int streaming) {
    uint8_t body[ROOM];
    struct warm_frame f;
    if (warm_read(&f, r->body, size) != 0) {
        return streaming;
    }
    switch (f.type) {
    case WARM_HELLO:
        describe();
        health();
        return 1;
    case WARM_RESEND:
        resend(&f);
        return streaming;
    case WARM_ECHO_REQUEST:
        send_body(body, warm_body_echo(body, sizeof body, boot, now_us(), &f));
        return streaming;
    case WARM_STOP:
        return 0;
    default:
        return streaming;
    }
}

int main(int argc, char **argv) {
    unsigned leave_out = argc > 1 ? (unsigned)atoi(argv[1]) : 0;
    uint64_t due = now_us(), health_due = due + 10000000u;
    struct warm_receiver receiver = {.size = 0};
    int streaming = 0, row = 0;
    boot = (uint16_t)(now_us() ^ (uint64_t)getpid()); /* on a board: from noise, or counted in flash */
    for (;;) {
        struct pollfd line = {.fd = STDIN_FILENO, .events = POLLIN};
        uint64_t now = now_us();
        if (poll(&line, 1, due > now ? (int)((due - now) / 1000u) : 0) > 0) {
            uint8_t byte;
            if (read(STDIN_FILENO, &byte, 1) != 1) {
                return 0;
            }
            size_t size = warm_receive(&receiver, byte);
            streaming = size ? obey(&receiver, size, streaming) : streaming;
        }
        if (now_us() < due) {
            continue;
        }
        struct kept *k = &ring[next_seq % KEPT]; /* samples are taken and numbered whether anybody listens or not */
        sample(due, &k->values[row * CHANNELS]);
        k->tick_us = due;
        k->seq = next_seq;
        due += 1000000u / RATE_HZ;
        if (++row == ROWS) {
            row = 0;
            next_seq++;
            if (streaming && !(leave_out && k->seq % leave_out == 1)) {
                send_samples(k, 0);
            }
        }
        if (streaming && due >= health_due) {
            health_due = due + 10000000u;
            health();
        }
    }
}
