/* Load generator and sink of the benchmarks, in one process so that one clock times both ends.
 *
 * usage: load latency TARGET_PORT SINK_PORT CHANNELS BUSES LOW FIRST COUNT
 *        load flood   TARGET_PORT SINK_PORT CHANNELS BUSES LOW FIRST RATE SECONDS
 *
 * Message number n, counted from FIRST on, moves cell n modulo CHANNELS x BUSES. Each pass over the
 * matrix asks for another of 16 levels, LOW + k/16 dB: exact in a 32-bit float, never more than
 * 1 dB above LOW, so that no speed limit has a reason to hold one back.
 *
 * latency: one message in flight. One line for each message: nanoseconds from before the send to
 *          after its counterpart came in at the sink; -1 when nothing came within 500 ms.
 * flood:   RATE messages a second in slots of 0.2 ms. One line:
 *          sent, news heard while sending, news heard in all, nanoseconds of sending, cells heard,
 *          messages heard in all. News is a message with another value than its cell's last one:
 *          what is only repeated counts for nobody. Messages inside bundles count one by one.
 *
 * With an other than 0 the sink says every datagram back to that port, the way a console
 * does that tells what it was told: the bridge then knows that the word arrived.
 */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#define CELLS_MAX 8192
#define MESSAGE_BYTES 28 /* 19 characters of address and a NUL, ",f" padded, one float */
#define ADDRESS_BYTES 20
#define VALUE_AT 24
#define VALUES 16
#define BATCH 64
#define SLOT_NS 200000
#define QUIET_US 300000
#define LOST_US 500000

static unsigned char messages[VALUES][CELLS_MAX][MESSAGE_BYTES];
static int buses, cells, out_socket, sink_socket;
static long first;
static struct sockaddr_in target;
static volatile int sending = 1;
static volatile long news, heard;
static unsigned char cell_heard[CELLS_MAX], cell_value[CELLS_MAX][4];

static int64_t now_ns(void)
{
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return (int64_t)at.tv_sec * 1000000000 + at.tv_nsec;
}

static void put_float(unsigned char *place, float value)
{
    uint32_t bits;
    memcpy(&bits, &value, 4);
    bits = htonl(bits);
    memcpy(place, &bits, 4);
}

static void prepare_messages(int channels, float low)
{
    cells = channels * buses;
    for (int value = 0; value < VALUES; value++)
        for (int cell = 0; cell < cells; cell++) {
            char address[64];
            int channel = cell / buses + 1, bus = cell % buses + 1;
            unsigned char *message = messages[value][cell];
            snprintf(address, sizeof address, "/out/%02d/in/%02d/level", bus, channel);
            memcpy(message, address, ADDRESS_BYTES);
            memcpy(message + ADDRESS_BYTES, ",f\0\0", 4);
            put_float(message + VALUE_AT, low + value / 16.0f);
        }
}

static int udp_socket(int port)
{
    int made = socket(AF_INET, SOCK_DGRAM, 0), size = 4 << 20;
    struct sockaddr_in here = {.sin_family = AF_INET, .sin_port = htons(port)};
    here.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    setsockopt(made, SOL_SOCKET, SO_RCVBUF, &size, sizeof size);
    if (bind(made, (struct sockaddr *)&here, sizeof here) < 0) {
        perror("bind");
        exit(1);
    }
    return made;
}

static void wait_at_most(int us)
{
    struct timeval limit = {.tv_sec = us / 1000000, .tv_usec = us % 1000000};
    setsockopt(sink_socket, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
}

static const unsigned char *message_of(long number)
{
    return messages[(number / cells) % VALUES][number % cells];
}

static void send_message(long number)
{
    sendto(out_socket, message_of(number), MESSAGE_BYTES, 0, (struct sockaddr *)&target,
           sizeof target);
}

static int is_message(const unsigned char *data, long size, const unsigned char *message)
{
    if (size >= 20 && memcmp(data, "#bundle", 8) == 0)
        data += 20, size -= 20;
    return size >= MESSAGE_BYTES && memcmp(data, message, MESSAGE_BYTES) == 0;
}

static int64_t one_latency(long number)
{
    unsigned char data[2048];
    int64_t began = now_ns();
    send_message(number);
    for (;;) {
        long size = recv(sink_socket, data, sizeof data, 0);
        int64_t ended = now_ns();
        if (size > 0 && is_message(data, size, message_of(number)))
            return ended - began;
        if (size < 0 || ended - began > (int64_t)LOST_US * 1000)
            return -1;
    }
}

static void latency(long count)
{
    unsigned char data[2048];
    wait_at_most(QUIET_US);
    int64_t until = now_ns() + 3000000000;
    while (recv(sink_socket, data, sizeof data, 0) > 0 && now_ns() < until)
        ; /* what an earlier round or the start still had on its way */
    wait_at_most(LOST_US);
    int64_t *results = calloc(count, sizeof *results);
    for (long index = 0; index < count; index++)
        results[index] = one_latency(first + index);
    for (long index = 0; index < count; index++)
        printf("%lld\n", (long long)results[index]);
    free(results);
}

static void hear(const unsigned char *data, long size)
{
    if (size >= 20 && memcmp(data, "#bundle", 8) == 0) {
        long at = 16;
        while (at + 4 <= size) {
            uint32_t element;
            memcpy(&element, data + at, 4);
            element = ntohl(element);
            if (element == 0 || element > (uint64_t)(size - at - 4))
                return;
            hear(data + at + 4, element);
            at += 4 + element;
        }
    } else if (size == MESSAGE_BYTES && memcmp(data, "/out/", 5) == 0) {
        int bus = (data[5] - '0') * 10 + data[6] - '0';
        int channel = (data[11] - '0') * 10 + data[12] - '0';
        int cell = (channel - 1) * buses + bus - 1;
        heard++;
        if (cell < 0 || cell >= cells)
            return;
        if (!cell_heard[cell] || memcmp(cell_value[cell], data + VALUE_AT, 4) != 0)
            news++;
        cell_heard[cell] = 1;
        memcpy(cell_value[cell], data + VALUE_AT, 4);
    }
}

static void *listen_all(void *nothing)
{
    (void)nothing;
    static unsigned char data[BATCH][2048];
    struct iovec parts[BATCH];
    struct mmsghdr heads[BATCH];
    memset(heads, 0, sizeof heads);
    for (int i = 0; i < BATCH; i++) {
        parts[i] = (struct iovec){.iov_base = data[i], .iov_len = sizeof data[i]};
        heads[i].msg_hdr.msg_iov = &parts[i];
        heads[i].msg_hdr.msg_iovlen = 1;
    }
    for (;;) {
        int count = recvmmsg(sink_socket, heads, BATCH, MSG_WAITFORONE, NULL);
        if (count <= 0 && !sending)
            return NULL;
        for (int i = 0; i < count; i++)
            hear(data[i], heads[i].msg_len);
    }
}

static void flood(double rate, double seconds)
{
    pthread_t listener;
    wait_at_most(QUIET_US);
    pthread_create(&listener, NULL, listen_all, NULL);
    int64_t began = now_ns(), until = began + (int64_t)(seconds * 1e9), at = began;
    long sent = 0;
    while (at < until) {
        long due = (long)((double)(at - began) * 1e-9 * rate);
        while (sent < due)
            send_message(first + sent++);
        int64_t next = at + SLOT_NS;
        struct timespec wake = {.tv_sec = next / 1000000000, .tv_nsec = next % 1000000000};
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &wake, NULL);
        at = now_ns();
    }
    long news_while_sending = news;
    int64_t took = now_ns() - began;
    sending = 0;
    pthread_join(listener, NULL);
    int reached = 0;
    for (int cell = 0; cell < cells; cell++)
        reached += cell_heard[cell];
    printf("%ld %ld %ld %lld %d %ld\n", sent, news_while_sending, news, (long long)took, reached,
           heard);
}

int main(int argc, char **argv)
{
    if (argc < 9) {
        fprintf(stderr, "usage: see the head of load.c\n");
        return 2;
    }
    target = (struct sockaddr_in){.sin_family = AF_INET, .sin_port = htons(atoi(argv[2]))};
    target.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    sink_socket = udp_socket(atoi(argv[3]));
    out_socket = udp_socket(0);
    buses = atoi(argv[5]);
    if (atoi(argv[4]) < 1 || buses < 1 || atoi(argv[4]) * buses > CELLS_MAX)
        return 2;
    prepare_messages(atoi(argv[4]), atof(argv[6]));
    first = atol(argv[7]);
    if (strcmp(argv[1], "latency") == 0)
        latency(atol(argv[8]));
    else if (argc > 9)
        flood(atof(argv[8]), atof(argv[9]));
    return 0;
}
