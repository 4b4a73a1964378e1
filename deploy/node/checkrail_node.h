/*
 * A node of Checkrail on a serial line: the line protocol, version 1, in portable C99 without heap, stdio or clock.
 *
 * You give it bytes and the time, it gives you bytes and calls the functions below. Nothing blocks. Off comes first:
 * crn_init switches every output off before it does anything else.
 *
 * Outputs are held by permits. When Checkrail falls silent they go off within the permit (1 s) and the time between
 * two calls of crn_poll. Wire each relay normally open, energised to run. The node supervises nothing by itself: a
 * breaker, fuse or current-limited supply sized for the wiring must protect it with Checkrail and this node off.
 */
#ifndef CHECKRAIL_NODE_H
#define CHECKRAIL_NODE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Channels of a node at most. */
#ifndef CRN_CHANNELS_MAX
#define CRN_CHANNELS_MAX 16
#endif
/* Bytes that may wait to be written. */
#ifndef CRN_QUEUE_SIZE
#define CRN_QUEUE_SIZE 1024
#endif

#define CRN_LINE_MAX 160 /* longest line, its end included */
#define CRN_ANSWERS 4    /* commands that may be outstanding, told as cmd=4 */

enum crn_kind { CRN_CURRENT, CRN_VOLTAGE, CRN_POSITION, CRN_POLARITY, CRN_OUTPUT, CRN_OCCUPIED, CRN_TEMPERATURE };

/* Values that are none. Physical value = integer times the channel's scale. */
#define CRN_NO_VALUE INT32_MIN
#define CRN_OVER_RANGE INT32_MAX
#define CRN_UNDER_RANGE (-INT32_MAX)

/* One channel. The label is the object part of its name in Checkrail: "district/quarry", "machine/T14". */
struct crn_channel {
    enum crn_kind kind;
    const char *unit;  /* "A", "V", or "-" */
    const char *scale; /* "0.001", or "1" */
    uint16_t hz;       /* readings a second; 0: on change */
    const char *label;
};

/* What the library calls. Each returns at once. */
struct crn_hardware {
    /* Switches an output. */
    void (*output)(void *user, uint8_t channel, bool on);
    /* Measures a current, voltage or temperature now: true RMS over the time since the last call, never one sample. */
    int32_t (*measure)(void *user, uint8_t channel);
    /* Begins to throw to 'N' or 'R'; false if it cannot. NULL: this node throws nothing. */
    bool (*start_throw)(void *user, uint8_t channel, char to);
    /* Takes the current off the motor, whatever happens. */
    void (*stop_throw)(void *user, uint8_t channel);
    void *user;
};

struct crn_config {
    uint8_t addr;   /* 1 to 254, one of its own on this line */
    uint16_t boot;  /* another number at each start: from noise, a counter in flash, or a clock */
    const char *id; /* letters, digits, hyphens; at most 32 */
    const char *fw; /* version of your firmware */
    uint16_t hz_max; /* the most that RATE may ask for; keep the line below 70 % */
    const struct crn_channel *channels;
    uint8_t channel_count;
    struct crn_hardware hardware;
};

struct crn_answer {
    bool used;
    uint16_t seq;
    uint16_t check;
    char text[32];
};

/* State. Its fields are the library's own. */
struct crn_node {
    struct crn_config config;
    /* line being received */
    char line[CRN_LINE_MAX];
    uint8_t line_length;
    bool in_line, ended_by_cr;
    /* bytes to be written */
    char queue[CRN_QUEUE_SIZE];
    size_t queue_start, queue_length;
    uint16_t seq;
    uint32_t dropped, bad;
    /* session */
    bool session, seen_permit;
    uint32_t permit_until, next_hello, next_beat, next_refresh, now;
    int16_t table_next; /* row to send next; -1: none */
    uint16_t table_check;
    struct crn_answer answers[CRN_ANSWERS];
    uint8_t next_answer;
    /* token of ARM */
    bool armed;
    uint8_t armed_channel;
    uint16_t token, dice;
    uint32_t armed_until;
    /* throw under way */
    bool throwing;
    uint8_t throw_channel;
    uint16_t throw_seq;
    uint32_t throw_until;
    /* channels */
    char code[CRN_CHANNELS_MAX];
    uint16_t hz[CRN_CHANNELS_MAX];
    uint32_t due[CRN_CHANNELS_MAX];
};

/* Starts, with every output off. The configuration's texts must outlive the node. */
void crn_init(struct crn_node *node, const struct crn_config *config, uint32_t now_ms);
/* Takes bytes from the line. */
void crn_receive(struct crn_node *node, const char *bytes, size_t length, uint32_t now_ms);
/* Does what is due. Call it at least every 10 ms. */
void crn_poll(struct crn_node *node, uint32_t now_ms);
/* Gives bytes to be written, at most `most`; returns how many. */
size_t crn_transmit(struct crn_node *node, char *bytes, size_t most);

/* A discrete channel has this state: N R M C U (position), A B D (polarity), 0 1 (occupied). */
void crn_state(struct crn_node *node, uint8_t channel, char code);
/* The node switches an output off by itself because its own limit was passed; `value` is what was seen. */
void crn_trip(struct crn_node *node, uint8_t channel, uint32_t value);
/* The throw under way has arrived. */
void crn_arrived(struct crn_node *node);
/* Whether an output is on. */
bool crn_is_on(const struct crn_node *node, uint8_t channel);
/* Whether Checkrail has begun a session. */
bool crn_in_session(const struct crn_node *node);

/* CRC-16/IBM-3740 of the line protocol: crc("123456789") = 0x29B1. `crc` is 0xFFFF to begin with. */
uint16_t crn_crc(uint16_t crc, const char *bytes, size_t length);

#endif
