/*
 * Feeds the C node library with lines, spoilt lines and rubbish, and with time that jumps, and looks at what must hold
 * whatever came: an output is on only while a permit runs, the queue keeps its bounds, what is sent is made of whole
 * lines with good checks. Compiled with the address and undefined-behaviour sanitizers. The same seed, the same run.
 */
#include "checkrail_node.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CHANNELS 4

static const struct crn_channel channels[CHANNELS] = {
    {CRN_CURRENT, "A", "0.001", 50, "district/quarry"},
    {CRN_VOLTAGE, "V", "0.01", 10, "district/quarry"},
    {CRN_POSITION, "-", "1", 0, "machine/T14"},
    {CRN_OUTPUT, "-", "1", 0, "district/quarry"},
};

static uint64_t state = 0x5EED0003u;
static unsigned switched_on, sent_lines;

static uint32_t roll(uint32_t sides)
{
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return (uint32_t)(state % sides);
}

static void output(void *user, uint8_t channel, bool on)
{
    (void)user;
    (void)channel;
    switched_on += on ? 1u : 0u;
}

static int32_t measure(void *user, uint8_t channel)
{
    static const int32_t odd[] = {CRN_NO_VALUE, CRN_OVER_RANGE, CRN_UNDER_RANGE, 0, -1, 999999, -999999, 1000000};
    (void)user;
    (void)channel;
    return odd[roll(8)];
}

static bool start_throw(void *user, uint8_t channel, char to)
{
    (void)user;
    (void)channel;
    (void)to;
    return roll(4) != 0;
}

static void die(const char *why)
{
    printf("%s\n", why);
    exit(1);
}

/* What the node sent: whole lines, each with its check; the last token is kept. */
static uint16_t token;

static void read_back(struct crn_node *node)
{
    static char line[CRN_LINE_MAX + 1];
    static size_t length;
    char byte;
    while (crn_transmit(node, &byte, 1) == 1) {
        if (length >= CRN_LINE_MAX)
            die("a line is too long");
        line[length++] = byte;
        if (byte != '\n')
            continue;
        line[length] = 0;
        if (length < 8 || line[0] != '@' || line[length - 7] != '*'
            || strtoul(line + length - 6, NULL, 16) != crn_crc(0xFFFF, line, length - 7))
            die("a line is broken");
        if (strstr(line, " TOK "))
            token = (uint16_t)strtoul(strstr(line, " TOK ") + 5, NULL, 16);
        length = 0;
        sent_lines++;
    }
}

/* A line of the host; now and then with an odd number, an odd channel, another address, a wrong boot. */
static size_t host_line(char *line, uint16_t seq, uint16_t boot)
{
    static const char *const shapes[] = {
        "HI clp=1", "GO clp=1 boot=%04X host=51E7", "PM %04X %u", "CUT %u word", "CUT ALL", "ARM %u", "ON %u %04X",
        "THROW %u R %u", "RATE %u %u", "PING", "FROB %u", "CUT 4294967296", "ON", "THROW 2 X 1", "GO clp=2 boot=9C41 host=1",
    };
    char body[CRN_LINE_MAX];
    unsigned shape = roll(15), channel = roll(8) ? (shape == 7 ? 2u : 3u) : roll(2000), all = roll(20) == 0 ? 0xFFu : 1u;
    size_t length;
    if (shape == 1)
        sprintf(body, shapes[shape], (unsigned)boot);
    else if (shape == 2)
        sprintf(body, shapes[shape], (unsigned)boot, roll(9) ? 1000u : roll(70000));
    else if (shape == 6)
        sprintf(body, shapes[shape], channel, (unsigned)token);
    else if (shape == 7 || shape == 8)
        sprintf(body, shapes[shape], channel, roll(3000));
    else
        sprintf(body, shapes[shape], channel);
    length = (size_t)sprintf(line, "#%02X:%04X %s", all, (unsigned)seq, body);
    return length + (size_t)sprintf(line + length, "*%04X\r\n", (unsigned)crn_crc(0xFFFF, line, length));
}

int main(void)
{
    static struct crn_node node;
    struct crn_config config = {0};
    char line[2 * CRN_LINE_MAX];
    uint32_t now = 0xFFFFF000u, permit = 0, round;
    bool permitted = false;
    config.addr = 1;
    config.boot = 0x9C41;
    config.id = "fuzz";
    config.fw = "1";
    config.hz_max = 200;
    config.channels = channels;
    config.channel_count = CHANNELS;
    config.hardware.output = output;
    config.hardware.measure = measure;
    config.hardware.start_throw = start_throw;
    if (crn_crc(0xFFFF, "123456789", 9) != 0x29B1)
        die("the check is not CRC-16/IBM-3740");
    crn_init(&node, &config, now);
    for (round = 0; round < 300000; round++) {
        size_t at, length = host_line(line, (uint16_t)(round / 2), roll(50) ? 0x9C41 : 0x1234);
        bool spoilt = roll(4) == 0;
        if (spoilt && roll(2))
            line[roll((uint32_t)length)] = (char)roll(256);
        else if (spoilt)
            for (at = 0; at < length; at++)
                line[at] = (char)roll(256);
        if (!spoilt && strncmp(line + 9, "PM 9C41 ", 8) == 0 && strtoul(line + 17, NULL, 10) <= 5000u && line[1] == '0') {
            permit = now + (uint32_t)strtoul(line + 17, NULL, 10);
            permitted = true;
        }
        crn_receive(&node, line, roll(30) ? length : roll((uint32_t)length), now);
        if (roll(40) == 0)
            crn_arrived(&node);
        if (roll(200) == 0)
            crn_trip(&node, 3, roll(100000));
        crn_state(&node, (uint8_t)roll(6), "NRMCU"[roll(5)]);
        now += roll(100) ? roll(30) : roll(3000);
        crn_poll(&node, now);
        if (crn_is_on(&node, 3) && !(permitted && now - permit >= 0x80000000u))
            die("an output is on without a permit");
        if (roll(3))
            read_back(&node);
    }
    read_back(&node);
    if (switched_on < 100 || sent_lines < 10000)
        die("the fuzzer tried too little");
    printf("300000 rounds, %u times on, %u lines sent, each whole\n", switched_on, sent_lines);
    return 0;
}
