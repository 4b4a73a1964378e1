/*
 * An example of a node, built on checkrail_node.c: one district with its current sensor and relay, and one machine.
 *
 * It runs on an ordinary computer, on any serial device, so that you can try Checkrail before a single wire is laid:
 *
 *     cc -std=c99 -o node example.c checkrail_node.c
 *     ./node /dev/ttyUSB0
 *
 * For a microcontroller keep the table and the four functions below, and put its registers where the pretended world
 * stands; keep the loop, with your own serial port and millisecond clock. What must not change:
 *
 *   - the relay is wired normally open and energised to run: a node without power, in reset, or stuck, cuts;
 *   - crn_init comes before everything else and switches every output off;
 *   - the loop never waits: crn_poll runs at least every 10 ms, and a hardware watchdog resets a loop that hangs;
 *   - the node trips by itself (crn_trip) at the limit of its own wiring and does not wait for Checkrail.
 *
 * Lines on standard input change the pretended world: "current 5200" (mA), "position R", "quit".
 */
#define _POSIX_C_SOURCE 200809L

#include "checkrail_node.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

/* The node's own limit, above what Checkrail cuts at and below what the wiring bears. Unit: mA. */
#define OWN_LIMIT 6000

/* Numbers of the channels: their places in the table. */
enum { CURRENT, VOLTAGE, POSITION, OUTPUT, CHANNELS };

/* The table: label = object part of the channel's name in the layout file. */
static const struct crn_channel channels[CHANNELS] = {
    {CRN_CURRENT, "A", "0.001", 50, "district/east"},
    {CRN_VOLTAGE, "V", "0.01", 10, "district/east"},
    {CRN_POSITION, "-", "1", 0, "machine/T1"},
    {CRN_OUTPUT, "-", "1", 0, "district/east"},
};

/* The pretended world. */
static struct {
    bool on;
    int32_t milliamps;
    char position, going_to;
    uint32_t arrives;
    bool moving;
} world = {false, 400, 'N', 'N', 0, false};

static uint32_t now_ms(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint32_t)((uint64_t)now.tv_sec * 1000u + (uint64_t)now.tv_nsec / 1000000u);
}

/* Here: write the relay's port pin. */
static void output(void *user, uint8_t channel, bool on)
{
    (void)user;
    (void)channel;
    world.on = on;
    printf("output %s\n", on ? "on" : "off");
    fflush(stdout);
}

/* Here: the true RMS that your converter's interrupt has gathered since the last call. */
static int32_t measure(void *user, uint8_t channel)
{
    (void)user;
    if (channel == CURRENT)
        return world.on ? world.milliamps : 0;
    return world.on ? 1500 : 0;
}

/* Here: start the motor. */
static bool start_throw(void *user, uint8_t channel, char to)
{
    (void)user;
    (void)channel;
    world.going_to = to;
    world.moving = true;
    world.arrives = now_ms() + 300;
    return true;
}

/* Here: take the motor's current away. */
static void stop_throw(void *user, uint8_t channel)
{
    (void)user;
    (void)channel;
    world.moving = false;
}

static int open_line(const char *path)
{
    struct termios settings;
    int line = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (line < 0 || tcgetattr(line, &settings) != 0)
        return -1;
    settings.c_iflag &= (tcflag_t)~(IGNBRK | BRKINT | PARMRK | ISTRIP | INLCR | IGNCR | ICRNL | IXON);
    settings.c_oflag &= (tcflag_t)~OPOST;
    settings.c_lflag &= (tcflag_t)~(ECHO | ECHONL | ICANON | ISIG | IEXTEN);
    settings.c_cflag = (settings.c_cflag & (tcflag_t)~(CSIZE | PARENB)) | CS8 | CREAD | CLOCAL;
    cfsetispeed(&settings, B38400);
#ifdef B115200
    cfsetispeed(&settings, B115200);
    cfsetospeed(&settings, B115200);
#endif
    return tcsetattr(line, TCSANOW, &settings) == 0 ? line : -1;
}

/* One line of standard input; false to end. */
static bool obey_person(char *text)
{
    text[strcspn(text, "\n")] = 0;
    if (strncmp(text, "current ", 8) == 0)
        world.milliamps = (int32_t)atoi(text + 8);
    else if (strncmp(text, "position ", 9) == 0)
        world.position = text[9];
    return strcmp(text, "quit") != 0;
}

/* What a real node does between two polls: look at its own limit and at its machine. */
static void look_at_world(struct crn_node *node, uint32_t now)
{
    if (world.on && world.milliamps > OWN_LIMIT) {
        printf("tripped\n");
        crn_trip(node, OUTPUT, (uint32_t)world.milliamps);
    }
    if (world.moving && now - world.arrives < 0x80000000u) {
        world.position = world.going_to;
        crn_state(node, POSITION, world.position);
        crn_arrived(node);
    }
    crn_state(node, POSITION, world.moving ? 'M' : world.position);
}

int main(int count, char **words)
{
    static struct crn_node node;
    struct crn_config config = {0};
    char bytes[256], person[80];
    bool was_in_session = false, runs = true;
    int line = count == 2 ? open_line(words[1]) : -1;
    if (line < 0) {
        fprintf(stderr, "usage: %s DEVICE\n", words[0]);
        return 2;
    }
    config.addr = 1;
    config.boot = (uint16_t)((uint32_t)time(NULL) ^ (uint32_t)getpid() << 4);
    config.id = "east-node";
    config.fw = "1.0";
    config.hz_max = 200;
    config.channels = channels;
    config.channel_count = CHANNELS;
    config.hardware.output = output;
    config.hardware.measure = measure;
    config.hardware.start_throw = start_throw;
    config.hardware.stop_throw = stop_throw;
    crn_init(&node, &config, now_ms());
    while (runs) {
        struct pollfd ends[2] = {{line, POLLIN, 0}, {0, POLLIN, 0}};
        ssize_t got;
        size_t ready;
        poll(ends, 2, 5);
        got = read(line, bytes, sizeof bytes);
        if (got > 0)
            crn_receive(&node, bytes, (size_t)got, now_ms());
        else if (got < 0 && errno != EAGAIN && errno != EIO)
            break;
        if (ends[1].revents)
            runs = fgets(person, sizeof person, stdin) != NULL && obey_person(person);
        look_at_world(&node, now_ms());
        crn_poll(&node, now_ms());
        /* Only what the line takes at once: a real port gives its free room here. */
        while ((ready = crn_transmit(&node, bytes, 64)) > 0)
            if (write(line, bytes, ready) < 0)
                break;
        if (crn_in_session(&node) != was_in_session) {
            was_in_session = !was_in_session;
            printf("session %s\n", was_in_session ? "on" : "off");
            fflush(stdout);
        }
    }
    close(line);
    return 0;
}
