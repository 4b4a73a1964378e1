#include "checkrail_node.h"

#include <string.h>

#define HELLO_EVERY 1000u
#define BEAT_EVERY 500u
#define REFRESH_EVERY 10000u
#define TOKEN_FOR 2000u
#define PERMIT_MAX 5000u
/* Room that readings leave for answers, events, states and heartbeats, which are never dropped for them. */
#define RESERVE (CRN_QUEUE_SIZE / 2)

/* A line under way: its check grows with it. */
struct text {
    char bytes[CRN_LINE_MAX];
    size_t length;
    bool full;
};

uint16_t crn_crc(uint16_t crc, const char *bytes, size_t length)
{
    size_t at;
    int bit;
    for (at = 0; at < length; at++) {
        crc = (uint16_t)(crc ^ (uint16_t)((unsigned char)bytes[at] << 8));
        for (bit = 0; bit < 8; bit++)
            crc = (uint16_t)((crc & 0x8000u) ? ((uint32_t)crc << 1) ^ 0x1021u : (uint32_t)crc << 1);
    }
    return crc;
}

/* True when `now` is at or past `then`; the clock may wrap between. */
static bool is_past(uint32_t now, uint32_t then)
{
    return now - then < 0x80000000u;
}

/* ---- writing ---- */

static void put(struct text *text, const char *more)
{
    while (*more) {
        /* Five for the check, two for the line's end. */
        if (text->length + 7 >= CRN_LINE_MAX) {
            text->full = true;
            return;
        }
        text->bytes[text->length++] = *more++;
    }
}

static void put_char(struct text *text, char one)
{
    char more[2];
    more[0] = one;
    more[1] = 0;
    put(text, more);
}

static void put_hex(struct text *text, uint32_t number, int digits)
{
    while (digits-- > 0)
        put_char(text, "0123456789ABCDEF"[(number >> (4 * digits)) & 15u]);
}

static void put_number(struct text *text, uint32_t number)
{
    char digits[11];
    int at = 10;
    digits[10] = 0;
    do {
        digits[--at] = (char)('0' + number % 10u);
        number /= 10u;
    } while (number);
    put(text, digits + at);
}

static void put_value(struct text *text, int32_t value)
{
    if (value == CRN_NO_VALUE)
        put(text, "-");
    else if (value == CRN_OVER_RANGE || value > 999999)
        put(text, "^");
    else if (value == CRN_UNDER_RANGE || value < -999999)
        put(text, "_");
    else {
        if (value < 0)
            put(text, "-");
        put_number(text, (uint32_t)(value < 0 ? -value : value));
    }
}

static bool has_room(const struct crn_node *node, size_t length)
{
    return node->queue_length + length <= CRN_QUEUE_SIZE;
}

/* Begins a line without its number: that is given when it is certain to go out. */
static void begin(struct text *text, const struct crn_node *node)
{
    text->length = 0;
    text->full = false;
    put(text, "@");
    put_hex(text, node->config.addr, 2);
    put(text, ":");
    put_hex(text, node->seq, 4);
    put(text, " ");
}

/* Ends a line and queues it; false, and counted, when there is no room. */
static bool finish(struct crn_node *node, struct text *text, bool may_drop)
{
    uint16_t check = crn_crc(0xFFFF, text->bytes, text->length);
    size_t at, length = text->length + 7;
    char end[8];
    int digit;
    end[0] = '*';
    for (digit = 0; digit < 4; digit++)
        end[1 + digit] = "0123456789ABCDEF"[(check >> (12 - 4 * digit)) & 15u];
    end[5] = '\r';
    end[6] = '\n';
    if (text->full || !has_room(node, length) || (may_drop && node->queue_length + length > CRN_QUEUE_SIZE - RESERVE)) {
        node->dropped++;
        return false;
    }
    for (at = 0; at < length; at++) {
        char byte = at < text->length ? text->bytes[at] : end[at - text->length];
        node->queue[(node->queue_start + node->queue_length) % CRN_QUEUE_SIZE] = byte;
        node->queue_length++;
    }
    node->seq++;
    return true;
}

size_t crn_transmit(struct crn_node *node, char *bytes, size_t most)
{
    size_t count = 0;
    while (count < most && node->queue_length > 0) {
        bytes[count++] = node->queue[node->queue_start];
        node->queue_start = (node->queue_start + 1) % CRN_QUEUE_SIZE;
        node->queue_length--;
    }
    return count;
}

/* ---- what the node says ---- */

static const char *word_of(enum crn_kind kind)
{
    static const char *const words[] = {"cur", "volt", "pos", "pol", "out", "occ", "temp"};
    return words[kind];
}

static bool is_measured(enum crn_kind kind)
{
    return kind == CRN_CURRENT || kind == CRN_VOLTAGE || kind == CRN_TEMPERATURE;
}

static void introduce(struct crn_node *node)
{
    struct text text;
    begin(&text, node);
    put(&text, "HI clp=1-1 id=");
    put(&text, node->config.id);
    put(&text, " fw=");
    put(&text, node->config.fw);
    put(&text, " boot=");
    put_hex(&text, node->config.boot, 4);
    put(&text, " ch=");
    put_number(&text, node->config.channel_count);
    put(&text, " cmd=");
    put_number(&text, CRN_ANSWERS);
    put(&text, " deadman=1000");
    node->session = false;
    node->next_hello = node->now + HELLO_EVERY;
    node->table_check = 0xFFFF;
    node->table_next = finish(node, &text, false) ? 0 : -1;
}

/* One row of the channel table, or its end. Sent as there is room. */
static void next_row(struct crn_node *node)
{
    struct text text;
    size_t body;
    int16_t at = node->table_next;
    if (!has_room(node, CRN_LINE_MAX))
        return;
    begin(&text, node);
    body = text.length;
    if (at == node->config.channel_count) {
        put(&text, "CE ");
        put_number(&text, node->config.channel_count);
        put(&text, " ");
        put_hex(&text, node->table_check, 4);
        node->table_next = -1;
    } else {
        const struct crn_channel *it = &node->config.channels[at];
        put(&text, "CH ");
        put_number(&text, (uint32_t)at);
        put(&text, " ");
        put(&text, word_of(it->kind));
        put(&text, " ");
        put(&text, it->unit);
        put(&text, " ");
        put(&text, it->scale);
        put(&text, " ");
        put_number(&text, it->hz);
        put(&text, " ");
        put(&text, it->label);
        if (at > 0)
            node->table_check = crn_crc(node->table_check, "\n", 1);
        node->table_check = crn_crc(node->table_check, text.bytes + body, text.length - body);
        node->table_next = (int16_t)(at + 1);
    }
    finish(node, &text, false);
}

static void say_beat(struct crn_node *node)
{
    struct text text;
    bool runs = node->seen_permit && !is_past(node->now, node->permit_until);
    begin(&text, node);
    put(&text, "HB ");
    put_number(&text, node->now);
    put(&text, " ");
    put_hex(&text, node->config.boot, 4);
    put(&text, " ");
    put_number(&text, runs ? node->permit_until - node->now : 0);
    put(&text, " ");
    put_number(&text, node->dropped);
    put(&text, " ");
    put_number(&text, node->bad);
    finish(node, &text, false);
}

static void say_state(struct crn_node *node, uint8_t channel)
{
    struct text text;
    if (!node->session)
        return;
    begin(&text, node);
    put(&text, "ST ");
    put_number(&text, node->now);
    put(&text, " ");
    put_number(&text, channel);
    put(&text, "=");
    put_char(&text, node->code[channel]);
    finish(node, &text, false);
}

static void say_all_states(struct crn_node *node)
{
    uint8_t at;
    for (at = 0; at < node->config.channel_count; at++)
        if (!is_measured(node->config.channels[at].kind))
            say_state(node, at);
    node->next_refresh = node->now + REFRESH_EVERY;
}

static void say_event(struct crn_node *node, uint8_t channel, const char *kind, bool with_value, uint32_t value)
{
    struct text text;
    begin(&text, node);
    put(&text, "EV ");
    put_number(&text, node->now);
    put(&text, " ");
    put_number(&text, channel);
    put(&text, " ");
    put(&text, kind);
    if (with_value) {
        put(&text, " ");
        put_number(&text, value);
    }
    finish(node, &text, false);
}

/* All measured channels that are due, consecutive ones in one line. */
static void say_readings(struct crn_node *node)
{
    struct text text;
    uint8_t at, in_line = 0;
    for (at = 0; at < node->config.channel_count; at++) {
        bool due = is_measured(node->config.channels[at].kind) && node->hz[at] > 0 && is_past(node->now, node->due[at]);
        if (!due || in_line == 10) {
            if (in_line)
                finish(node, &text, true);
            in_line = 0;
        }
        if (!due)
            continue;
        if (!in_line) {
            begin(&text, node);
            put(&text, "RD ");
            put_number(&text, node->now);
            put(&text, " ");
            put_number(&text, at);
        }
        in_line++;
        put(&text, " ");
        put_value(&text, node->config.hardware.measure(node->config.hardware.user, at));
        node->due[at] += 1000u / node->hz[at];
        /* After a pause the missed ones are not made up for. */
        if (is_past(node->now, node->due[at]))
            node->due[at] = node->now + 1000u / node->hz[at];
    }
    if (in_line)
        finish(node, &text, true);
}

/* ---- outputs ---- */

static void switch_output(struct crn_node *node, uint8_t channel, bool on)
{
    node->config.hardware.output(node->config.hardware.user, channel, on);
    node->code[channel] = on ? '1' : '0';
}

static bool is_output(const struct crn_node *node, uint32_t channel)
{
    return channel < node->config.channel_count && node->config.channels[channel].kind == CRN_OUTPUT;
}

bool crn_is_on(const struct crn_node *node, uint8_t channel)
{
    return is_output(node, channel) && node->code[channel] == '1';
}

static void all_off(struct crn_node *node, const char *event)
{
    uint8_t at;
    for (at = 0; at < node->config.channel_count; at++) {
        if (!crn_is_on(node, at))
            continue;
        switch_output(node, at, false);
        if (event)
            say_event(node, at, event, false, 0);
        say_state(node, at);
    }
}

void crn_trip(struct crn_node *node, uint8_t channel, uint32_t value)
{
    if (!crn_is_on(node, channel))
        return;
    switch_output(node, channel, false);
    say_event(node, channel, "TRIP", true, value);
    say_state(node, channel);
}

void crn_state(struct crn_node *node, uint8_t channel, char code)
{
    if (channel >= node->config.channel_count || is_output(node, channel) || node->code[channel] == code)
        return;
    node->code[channel] = code;
    say_state(node, channel);
}

bool crn_in_session(const struct crn_node *node)
{
    return node->session;
}

/* ---- commands ---- */

/* What is left of the line being read. */
struct words {
    const char *at, *end;
};

/* The next word; false when there is none or it is too long. */
static bool next_word(struct words *rest, char *word, size_t size)
{
    size_t length = 0;
    if (rest->at >= rest->end)
        return false;
    while (rest->at < rest->end && *rest->at != ' ') {
        if (length + 1 >= size)
            return false;
        word[length++] = *rest->at++;
    }
    if (rest->at < rest->end)
        rest->at++;
    word[length] = 0;
    return length > 0;
}

static bool read_number(const char *word, uint32_t most, uint32_t *number)
{
    uint32_t read = 0;
    if (!*word)
        return false;
    for (; *word; word++) {
        if (*word < '0' || *word > '9' || read > most / 10u)
            return false;
        read = read * 10u + (uint32_t)(*word - '0');
        if (read > most)
            return false;
    }
    *number = read;
    return true;
}

static bool read_hex(const char *digits, size_t count, uint16_t *number)
{
    uint16_t read = 0;
    size_t at;
    for (at = 0; at < count; at++) {
        char digit = digits[at];
        uint16_t value;
        if (digit >= '0' && digit <= '9')
            value = (uint16_t)(digit - '0');
        else if (digit >= 'A' && digit <= 'F')
            value = (uint16_t)(digit - 'A' + 10);
        else
            return false;
        read = (uint16_t)((uint32_t)read << 4 | value);
    }
    *number = read;
    return true;
}

static bool next_number(struct words *rest, uint32_t most, uint32_t *number)
{
    char word[12];
    return next_word(rest, word, sizeof word) && read_number(word, most, number);
}

static bool next_hex(struct words *rest, uint16_t *number)
{
    char word[12];
    return next_word(rest, word, sizeof word) && strlen(word) == 4 && read_hex(word, 4, number);
}

static bool next_key(struct words *rest, const char *key, char *value, size_t size)
{
    char word[24];
    size_t length = strlen(key);
    if (!next_word(rest, word, sizeof word) || strncmp(word, key, length) != 0 || strlen(word + length) >= size)
        return false;
    strcpy(value, word + length);
    return true;
}

/* Answers a command, and keeps the answer for when the command comes again. */
static void answer(struct crn_node *node, uint16_t seq, uint16_t check, const char *what)
{
    struct crn_answer *kept = &node->answers[node->next_answer];
    struct text text;
    begin(&text, node);
    put(&text, "AK ");
    put_hex(&text, seq, 4);
    put(&text, " ");
    put(&text, what);
    finish(node, &text, false);
    if (strlen(what) >= sizeof kept->text)
        return;
    kept->used = true;
    kept->seq = seq;
    kept->check = check;
    strcpy(kept->text, what);
    node->next_answer = (uint8_t)((node->next_answer + 1) % CRN_ANSWERS);
}

/* The same command again: the same answer, and nothing done. */
static bool is_repeated(struct crn_node *node, uint16_t seq, uint16_t check)
{
    uint8_t at;
    for (at = 0; at < CRN_ANSWERS; at++) {
        struct crn_answer kept = node->answers[at];
        if (kept.used && kept.seq == seq && kept.check == check) {
            struct text text;
            begin(&text, node);
            put(&text, "AK ");
            put_hex(&text, seq, 4);
            put(&text, " ");
            put(&text, kept.text);
            finish(node, &text, false);
            return true;
        }
    }
    return false;
}

static const char *do_cut(struct crn_node *node, struct words *rest)
{
    char word[42];
    uint32_t channel;
    if (!next_word(rest, word, sizeof word))
        return "NO body";
    node->armed = false;
    if (strcmp(word, "ALL") == 0) {
        all_off(node, NULL);
        return "OK";
    }
    if (!read_number(word, 999, &channel))
        return "NO body";
    if (!is_output(node, channel))
        return "NO channel";
    switch_output(node, (uint8_t)channel, false);
    return "OK";
}

static const char *do_go(struct crn_node *node, struct words *rest)
{
    char version[4], boot[6], host[6];
    uint16_t ours, theirs;
    uint8_t at;
    if (!next_key(rest, "clp=", version, sizeof version) || !next_key(rest, "boot=", boot, sizeof boot)
        || !next_key(rest, "host=", host, sizeof host) || strlen(boot) != 4 || !read_hex(boot, 4, &ours)
        || strlen(host) != 4 || !read_hex(host, 4, &theirs))
        return "NO body";
    if (strcmp(version, "1") != 0)
        return "NO version";
    if (ours != node->config.boot)
        return "NO boot";
    /* A new session: answers and tokens of the last one are void. */
    for (at = 0; at < CRN_ANSWERS; at++)
        node->answers[at].used = false;
    node->armed = false;
    node->session = true;
    node->next_beat = node->now;
    node->next_refresh = node->now;
    return "OK";
}

static const char *do_arm(struct crn_node *node, struct words *rest, char *space)
{
    struct text text;
    uint32_t channel;
    if (!next_number(rest, 999, &channel))
        return "NO body";
    if (!node->session)
        return "NO session";
    if (!is_output(node, channel))
        return "NO channel";
    node->dice = (uint16_t)(node->dice * 25173u + 13849u + node->now);
    node->token = node->dice;
    node->armed = true;
    node->armed_channel = (uint8_t)channel;
    node->armed_until = node->now + TOKEN_FOR;
    text.length = 0;
    text.full = false;
    put(&text, "TOK ");
    put_hex(&text, node->token, 4);
    put(&text, " ");
    put_number(&text, TOKEN_FOR);
    memcpy(space, text.bytes, text.length);
    space[text.length] = 0;
    return space;
}

static const char *do_on(struct crn_node *node, struct words *rest)
{
    uint32_t channel;
    uint16_t token;
    bool good;
    if (!next_number(rest, 999, &channel) || !next_hex(rest, &token))
        return "NO body";
    if (!node->session)
        return "NO session";
    if (!is_output(node, channel))
        return "NO channel";
    good = node->armed && node->armed_channel == channel && node->token == token && !is_past(node->now, node->armed_until);
    /* A token is good once. */
    node->armed = false;
    if (!good)
        return "NO token";
    if (!node->seen_permit || is_past(node->now, node->permit_until))
        return "NO permit";
    switch_output(node, (uint8_t)channel, true);
    return "OK";
}

static const char *do_throw(struct crn_node *node, struct words *rest, uint16_t seq)
{
    const struct crn_hardware *hardware = &node->config.hardware;
    char to[4];
    uint32_t channel, ms;
    if (!next_number(rest, 999, &channel) || !next_word(rest, to, sizeof to) || (strcmp(to, "N") != 0 && strcmp(to, "R") != 0)
        || !next_number(rest, 60000, &ms))
        return "NO body";
    if (!node->session)
        return "NO session";
    if (channel >= node->config.channel_count || node->config.channels[channel].kind != CRN_POSITION)
        return "NO channel";
    if (node->throwing)
        return "NO busy";
    if (!hardware->start_throw || !hardware->start_throw(hardware->user, (uint8_t)channel, to[0]))
        return "NO throw";
    node->throwing = true;
    node->throw_channel = (uint8_t)channel;
    node->throw_seq = seq;
    node->throw_until = node->now + ms;
    return "OK";
}

static void end_throw(struct crn_node *node, const char *what)
{
    struct text text;
    if (!node->throwing)
        return;
    node->throwing = false;
    if (node->config.hardware.stop_throw)
        node->config.hardware.stop_throw(node->config.hardware.user, node->throw_channel);
    begin(&text, node);
    put(&text, "AK ");
    put_hex(&text, node->throw_seq, 4);
    put(&text, " ");
    put(&text, what);
    finish(node, &text, false);
}

void crn_arrived(struct crn_node *node)
{
    end_throw(node, "DONE");
}

static const char *do_rate(struct crn_node *node, struct words *rest)
{
    uint32_t channel, hz;
    if (!next_number(rest, 999, &channel) || !next_number(rest, 100000, &hz))
        return "NO body";
    if (channel >= node->config.channel_count || !is_measured(node->config.channels[channel].kind))
        return "NO channel";
    if (hz > node->config.hz_max || hz > 1000u)
        return "NO rate";
    node->hz[channel] = (uint16_t)hz;
    node->due[channel] = node->now;
    return "OK";
}

static void do_permit(struct crn_node *node, struct words *rest)
{
    uint16_t boot;
    uint32_t ms;
    if (!next_hex(rest, &boot) || !next_number(rest, PERMIT_MAX, &ms)) {
        node->bad++;
        return;
    }
    if (boot != node->config.boot)
        return;
    node->permit_until = node->now + ms;
    node->seen_permit = true;
}

/* A line without its check, addressed to us; `check` is none for one that a person typed. */
static void obey(struct crn_node *node, struct words rest, uint16_t seq, uint16_t check, bool checked, bool to_all)
{
    char verb[8], space[24];
    const char *what;
    if (!next_word(&rest, verb, sizeof verb))
        verb[0] = 0;
    if (strcmp(verb, "CUT") == 0) {
        what = do_cut(node, &rest);
        /* It acts first and answers afterwards; to a line for all nodes none answers. */
        if (!to_all)
            answer(node, seq, check, what);
        say_all_states(node);
        return;
    }
    if (to_all) {
        node->bad++;
        return;
    }
    if (strcmp(verb, "HI") == 0) {
        introduce(node);
        return;
    }
    if (strcmp(verb, "PM") == 0) {
        if (checked)
            do_permit(node, &rest);
        else
            node->bad++;
        return;
    }
    if (strcmp(verb, "PING") != 0 && is_repeated(node, seq, check))
        return;
    if (strcmp(verb, "PING") == 0)
        what = "OK";
    else if (strcmp(verb, "GO") == 0)
        what = do_go(node, &rest);
    else if (strcmp(verb, "RATE") == 0)
        what = do_rate(node, &rest);
    else if (!checked)
        what = "NO check";
    else if (strcmp(verb, "ARM") == 0)
        what = do_arm(node, &rest, space);
    else if (strcmp(verb, "ON") == 0)
        what = do_on(node, &rest);
    else if (strcmp(verb, "THROW") == 0)
        what = do_throw(node, &rest, seq);
    else
        what = "NO verb";
    answer(node, seq, check, what);
    if (strcmp(verb, "ON") == 0)
        say_all_states(node);
}

/* "#AA:SSSS BODY*CCCC" without its end. */
static void take_line(struct crn_node *node)
{
    const char *line = node->line;
    size_t length = node->line_length;
    struct words rest;
    uint16_t addr, seq, check = 0, ours;
    bool checked;
    if (length < 14 || line[0] != '#')
        return;
    if (!read_hex(line + 1, 2, &addr) || line[3] != ':' || !read_hex(line + 4, 4, &seq) || line[8] != ' '
        || line[length - 5] != '*') {
        node->bad++;
        return;
    }
    checked = memcmp(line + length - 4, "----", 4) != 0;
    ours = crn_crc(0xFFFF, line, length - 5);
    if (checked && (!read_hex(line + length - 4, 4, &check) || check != ours)) {
        node->bad++;
        return;
    }
    rest.at = line + 9;
    rest.end = line + length - 5;
    if (addr == node->config.addr || addr == 0xFF)
        obey(node, rest, seq, ours, checked, addr == 0xFF);
    else if (addr == 0 && rest.end - rest.at >= 3 && memcmp(rest.at, "HI ", 3) == 0)
        introduce(node);
}

void crn_receive(struct crn_node *node, const char *bytes, size_t length, uint32_t now_ms)
{
    size_t at;
    node->now = now_ms;
    for (at = 0; at < length; at++) {
        char byte = bytes[at];
        bool wrong = node->in_line && (node->line_length >= CRN_LINE_MAX - 2 || node->ended_by_cr || byte < ' ' || byte > '~');
        if (byte == '#' || byte == '@') {
            /* A mark restarts the line at any point: a truncated one cannot swallow the next. */
            node->bad += node->in_line ? 1u : 0u;
            node->in_line = true;
            node->ended_by_cr = false;
            node->line[0] = byte;
            node->line_length = 1;
        } else if (!node->in_line) {
            continue;
        } else if (byte == '\n') {
            node->in_line = false;
            take_line(node);
        } else if (byte == '\r' && !node->ended_by_cr) {
            node->ended_by_cr = true;
        } else if (wrong) {
            node->in_line = false;
            node->bad++;
        } else {
            node->line[node->line_length++] = byte;
        }
    }
}

/* ---- time ---- */

void crn_init(struct crn_node *node, const struct crn_config *config, uint32_t now_ms)
{
    uint8_t at;
    memset(node, 0, sizeof *node);
    node->config = *config;
    if (node->config.channel_count > CRN_CHANNELS_MAX)
        node->config.channel_count = CRN_CHANNELS_MAX;
    for (at = 0; at < node->config.channel_count; at++) {
        enum crn_kind kind = config->channels[at].kind;
        if (kind == CRN_OUTPUT)
            switch_output(node, at, false);
        else
            node->code[at] = kind == CRN_POLARITY ? 'D' : kind == CRN_OCCUPIED ? '0' : 'U';
        node->hz[at] = config->channels[at].hz;
        node->due[at] = now_ms;
    }
    node->now = now_ms;
    node->dice = config->boot;
    node->table_next = -1;
    introduce(node);
}

void crn_poll(struct crn_node *node, uint32_t now_ms)
{
    node->now = now_ms;
    /* Power first. */
    if (node->seen_permit && is_past(now_ms, node->permit_until)) {
        node->seen_permit = false;
        all_off(node, "WDT");
    }
    if (node->throwing && is_past(now_ms, node->throw_until))
        end_throw(node, "NO timeout");
    if (node->table_next >= 0) {
        next_row(node);
        return;
    }
    if (!node->session) {
        if (is_past(now_ms, node->next_hello))
            introduce(node);
        return;
    }
    if (is_past(now_ms, node->next_beat)) {
        say_beat(node);
        node->next_beat = now_ms + BEAT_EVERY;
    }
    if (is_past(now_ms, node->next_refresh))
        say_all_states(node);
    say_readings(node);
}
