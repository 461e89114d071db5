/* The load target of the bench: answers reads (03, 04) and writes (06, 10) of registers on thousands of connections with
 * as little CPU as it can, so that what is measured is whoever asks. Ours, made for this; it is nobody's controller and
 * no peer in tests (all of its connections share one table, and it checks little).
 *
 *   load_server [--delay-us N] [--addresses N]
 *
 * Listens on a free port of 127.0.0.1. Prints {"port": N} when it does, and its counts when its standard input ends.
 * --delay-us: every answer leaves that long after its request came; one request at a time for each connection.
 * --addresses: serves so many loopback addresses, 127.0.0.1 and those behind it, all at one port.
 */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { BUFFER = 4096, EVENTS = 256, HEADER = 7, ADU_MAX = 260, PLACES_MAX = 16384 };

struct connection {
    int file;
    int used;           /* bytes in the buffer */
    int64_t due;        /* when the answer to the first frame leaves; 0: nothing is due */
    uint8_t buffer[BUFFER];
};

static uint8_t registers[2 * 65536];
static struct connection *places[PLACES_MAX]; /* by file number */
static char is_listener[PLACES_MAX];
static int epoll;
static int highest;
static int64_t delay_ns;
static unsigned long reads, writes, others, connections;

static void die(const char *what)
{
    fprintf(stderr, "load_server: %s: %s\n", what, strerror(errno));
    exit(1);
}

static int64_t now(void)
{
    struct timespec time;

    clock_gettime(CLOCK_MONOTONIC, &time);
    return (int64_t)time.tv_sec * 1000000000 + time.tv_nsec;
}

static int word(const uint8_t *at)
{
    return at[0] << 8 | at[1];
}

/* The answer to one frame; returns its length. */
static int answer(const uint8_t *frame, int pdu_bytes, uint8_t *reply)
{
    const uint8_t *pdu = frame + HEADER;
    int address = pdu_bytes >= 5 ? word(pdu + 1) : 0, count = pdu_bytes >= 5 ? word(pdu + 3) : 0;
    int length;

    memcpy(reply, frame, HEADER + 1);
    if ((pdu[0] == 0x03 || pdu[0] == 0x04) && pdu_bytes == 5 && count >= 1 && count <= 125 && address + count <= 65536) {
        reads++;
        reply[HEADER + 1] = (uint8_t)(2 * count);
        memcpy(reply + HEADER + 2, registers + 2 * address, 2 * count);
        length = 2 + 2 * count;
    } else if (pdu[0] == 0x10 && pdu_bytes == 6 + 2 * count && count >= 1 && count <= 123 && address + count <= 65536) {
        writes++;
        memcpy(registers + 2 * address, pdu + 6, 2 * count);
        memcpy(reply + HEADER + 1, pdu + 1, 4);
        length = 5;
    } else if (pdu[0] == 0x06 && pdu_bytes == 5) {
        writes++;
        memcpy(registers + 2 * address, pdu + 3, 2);
        memcpy(reply + HEADER + 1, pdu + 1, 4);
        length = 5;
    } else {
        others++;
        reply[HEADER] |= 0x80;
        reply[HEADER + 1] = 0x01;
        length = 2;
    }
    reply[4] = 0;
    reply[5] = (uint8_t)(length + 1);
    return HEADER + length;
}

static void drop(struct connection *each)
{
    places[each->file] = NULL;
    close(each->file);
    free(each);
}

/* Answer what may be answered now. Returns 0 when the connection is gone. */
static int serve(struct connection *each, int is_due)
{
    uint8_t replies[BUFFER];
    int out = 0, at = 0;

    while (each->used - at >= HEADER + 1) {
        int bytes = 6 + word(each->buffer + at + 4);

        if (bytes < HEADER + 1 || bytes > ADU_MAX) {
            drop(each);
            return 0;
        }
        if (each->used - at < bytes || out > BUFFER - ADU_MAX)
            break;
        if (delay_ns && !is_due) {
            if (!each->due)
                each->due = now() + delay_ns;
            break;
        }
        out += answer(each->buffer + at, bytes - HEADER, replies + out);
        at += bytes;
        is_due = 0;
        each->due = 0;
    }
    if (at) {
        each->used -= at;
        memmove(each->buffer, each->buffer + at, each->used);
    }
    if (out && write(each->file, replies, out) != out) {
        drop(each);
        return 0;
    }
    return 1;
}

static void take(struct connection *each)
{
    ssize_t got = read(each->file, each->buffer + each->used, BUFFER - each->used);

    if (got <= 0) {
        if (got == 0 || errno != EAGAIN)
            drop(each);
        return;
    }
    each->used += (int)got;
    serve(each, 0);
}

static void welcome(int listener)
{
    int yes = 1, file;

    while ((file = accept4(listener, NULL, NULL, SOCK_NONBLOCK)) >= 0) {
        struct epoll_event event = {.events = EPOLLIN, .data.fd = file};

        if (file >= PLACES_MAX) {
            close(file);
            continue;
        }
        setsockopt(file, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
        places[file] = calloc(1, sizeof(struct connection));
        places[file]->file = file;
        highest = file > highest ? file : highest;
        connections++;
        epoll_ctl(epoll, EPOLL_CTL_ADD, file, &event);
    }
}

/* Serve what is due; returns the nanoseconds until something is, or -1. */
static int64_t serve_due(void)
{
    int64_t next = 0, time = now();

    for (int file = 0; file <= highest; file++) {
        struct connection *each = places[file];

        if (each == NULL || !each->due)
            continue;
        if (each->due <= time && !serve(each, 1))
            continue;
        if (each->due && (!next || each->due < next))
            next = each->due;
    }
    return next ? (next > time ? next - time : 0) : -1;
}

/* One more loopback address, 127.0.0.1 and those behind it; all have the port that the first has got. */
static int listen_on(int index, int port)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons(port)};
    socklen_t size = sizeof address;
    int listener = socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK, 0);

    if (listener < 0 || listener >= PLACES_MAX)
        die("socket");
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK + index);
    if (bind(listener, (struct sockaddr *)&address, size) < 0)
        die("bind");
    if (listen(listener, 4096) < 0)
        die("listen");
    getsockname(listener, (struct sockaddr *)&address, &size);
    is_listener[listener] = 1;
    epoll_ctl(epoll, EPOLL_CTL_ADD, listener, &(struct epoll_event){.events = EPOLLIN, .data.fd = listener});
    return ntohs(address.sin_port);
}

int main(int argc, char **argv)
{
    struct rlimit files;
    struct epoll_event events[EVENTS], event = {.events = EPOLLIN};
    int addresses = 1, port = 0, is_over = 0;

    for (int at = 1; at + 1 < argc; at += 2) {
        if (!strcmp(argv[at], "--delay-us"))
            delay_ns = 1000 * atoll(argv[at + 1]);
        else if (!strcmp(argv[at], "--addresses"))
            addresses = atoi(argv[at + 1]);
    }
    epoll = epoll_create1(0);
    signal(SIGPIPE, SIG_IGN);
    prctl(PR_SET_TIMERSLACK, 1);
    getrlimit(RLIMIT_NOFILE, &files);
    files.rlim_cur = files.rlim_max;
    setrlimit(RLIMIT_NOFILE, &files);
    for (int index = 0; index < addresses; index++)
        port = listen_on(index, port);
    printf("{\"port\": %d}\n", port);
    fflush(stdout);
    event.data.fd = 0;
    epoll_ctl(epoll, EPOLL_CTL_ADD, 0, &event);
    while (!is_over) {
        int64_t wait = delay_ns ? serve_due() : -1;
        struct timespec until = {.tv_sec = wait / 1000000000, .tv_nsec = wait % 1000000000};
        int count = epoll_pwait2(epoll, events, EVENTS, wait < 0 ? NULL : &until, NULL);

        for (int i = 0; i < count; i++) {
            int file = events[i].data.fd;
            char byte;

            if (is_listener[file])
                welcome(file);
            else if (file == 0)
                is_over = read(0, &byte, 1) <= 0;
            else if (places[file] != NULL)
                take(places[file]);
        }
    }
    printf("{\"reads\": %lu, \"writes\": %lu, \"others\": %lu, \"connections\": %lu}\n", reads, writes, others,
           connections);
    return 0;
}
