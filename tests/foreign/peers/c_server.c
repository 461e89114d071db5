/* A server on libmodbus, for tests: somebody else's reading of the standard.
 *
 *   c_server [--port N] [--moving] [--until-eof]
 *
 * Serves 200 items of each table on 127.0.0.1 to any number of clients, one request at a time. Prints one line of JSON
 * when it listens, {"port": N}, and one with its counts when it ends (SIGTERM, SIGINT, or with --until-eof the end of
 * its standard input).
 *
 * Contents at the start: coil i is i % 3 == 0, discrete input i is i % 5 == 0, holding register i is 0x1000 + i, input
 * register i is 0x2000 + i.
 *
 * --moving: before each reading of holding registers (function 03) the first ten change together. In the n-th set
 * register i holds (16 n + i) mod 65536, so that a mixture of two sets, or a set shifted by a register, is no set.
 */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <modbus.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { ITEMS = 200, CLIENTS_MAX = 64, MOVING = 10 };

static volatile sig_atomic_t is_over;

static unsigned long requests, reads, writes, sets, connections;
static unsigned long by_function[256];

static void on_signal(int number)
{
    (void)number;
    is_over = 1;
}

static void die(const char *what)
{
    fprintf(stderr, "c_server: %s: %s\n", what, strerror(errno));
    exit(1);
}

static int listen_on(int port)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons(port)};
    socklen_t size = sizeof address;
    int yes = 1;
    int listener = socket(AF_INET, SOCK_STREAM, 0);

    if (listener < 0)
        die("socket");
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    setsockopt(listener, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
    if (bind(listener, (struct sockaddr *)&address, size) < 0)
        die("bind");
    if (listen(listener, CLIENTS_MAX) < 0)
        die("listen");
    if (getsockname(listener, (struct sockaddr *)&address, &size) < 0)
        die("getsockname");
    printf("{\"port\": %d}\n", ntohs(address.sin_port));
    fflush(stdout);
    return listener;
}

static modbus_mapping_t *make_tables(void)
{
    modbus_mapping_t *tables = modbus_mapping_new(ITEMS, ITEMS, ITEMS, ITEMS);

    if (tables == NULL)
        die("modbus_mapping_new");
    for (int i = 0; i < ITEMS; i++) {
        tables->tab_bits[i] = i % 3 == 0;
        tables->tab_input_bits[i] = i % 5 == 0;
        tables->tab_registers[i] = 0x1000 + i;
        tables->tab_input_registers[i] = 0x2000 + i;
    }
    return tables;
}

static int is_write(int function)
{
    switch (function) {
    case MODBUS_FC_WRITE_SINGLE_COIL:
    case MODBUS_FC_WRITE_SINGLE_REGISTER:
    case MODBUS_FC_WRITE_MULTIPLE_COILS:
    case MODBUS_FC_WRITE_MULTIPLE_REGISTERS:
    case MODBUS_FC_MASK_WRITE_REGISTER:
    case MODBUS_FC_WRITE_AND_READ_REGISTERS:
        return 1;
    default:
        return 0;
    }
}

/* One request of one client. Returns 0 when the client is gone. */
static int serve(modbus_t *context, int client, modbus_mapping_t *tables, int moving)
{
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    int length, function;

    modbus_set_socket(context, client);
    length = modbus_receive(context, query);
    if (length < 0)
        return 0;
    if (length == 0)
        return 1;
    function = query[modbus_get_header_length(context)];
    requests++;
    by_function[function]++;
    if (is_write(function))
        writes++;
    else
        reads++;
    if (moving && function == MODBUS_FC_READ_HOLDING_REGISTERS) {
        sets++;
        for (int i = 0; i < MOVING; i++)
            tables->tab_registers[i] = (uint16_t)(16 * sets + i);
    }
    modbus_reply(context, query, length, tables);
    return 1;
}

static void print_counts(void)
{
    const char *comma = "";

    printf("{\"requests\": %lu, \"reads\": %lu, \"writes\": %lu, \"sets\": %lu, \"connections\": %lu, "
           "\"by_function\": {",
           requests, reads, writes, sets, connections);
    for (int i = 0; i < 256; i++) {
        if (by_function[i]) {
            printf("%s\"%d\": %lu", comma, i, by_function[i]);
            comma = ", ";
        }
    }
    printf("}}\n");
    fflush(stdout);
}

static void loop(int listener, modbus_t *context, modbus_mapping_t *tables, int moving, int until_eof)
{
    /* places[0] listens, places[1] is standard input (or nothing, -1), the rest are clients */
    struct pollfd places[2 + CLIENTS_MAX] = {{.fd = listener, .events = POLLIN},
                                             {.fd = until_eof ? 0 : -1, .events = POLLIN}};
    int count = 2;
    sigset_t none;
    char byte;

    sigemptyset(&none);
    while (!is_over) {
        if (ppoll(places, count, NULL, &none) < 0) {
            if (errno == EINTR)
                continue;
            die("ppoll");
        }
        if (places[1].revents && read(0, &byte, 1) <= 0)
            return;
        for (int i = count - 1; i >= 2; i--) {
            if (places[i].revents && !serve(context, places[i].fd, tables, moving)) {
                close(places[i].fd);
                places[i] = places[--count];
            }
        }
        if (places[0].revents) {
            int yes = 1;
            int client = accept(listener, NULL, NULL);

            if (client < 0)
                continue;
            if (count == 2 + CLIENTS_MAX) {
                close(client);
                continue;
            }
            setsockopt(client, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
            connections++;
            places[count++] = (struct pollfd){.fd = client, .events = POLLIN};
        }
    }
}

int main(int argc, char **argv)
{
    int port = 0, moving = 0, until_eof = 0;
    struct sigaction action = {.sa_handler = on_signal};
    sigset_t ends;
    modbus_t *context;
    modbus_mapping_t *tables;
    int listener;

    for (int i = 1; i < argc; i++) {
        if (!strcmp(argv[i], "--moving"))
            moving = 1;
        else if (!strcmp(argv[i], "--until-eof"))
            until_eof = 1;
        else if (!strcmp(argv[i], "--port") && i + 1 < argc)
            port = atoi(argv[++i]);
        else {
            fprintf(stderr, "usage: c_server [--port N] [--moving] [--until-eof]\n");
            return 2;
        }
    }
    /* The signals are let in only while ppoll waits, so that none is lost before it. */
    sigemptyset(&ends);
    sigaddset(&ends, SIGTERM);
    sigaddset(&ends, SIGINT);
    sigprocmask(SIG_BLOCK, &ends, NULL);
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
    signal(SIGPIPE, SIG_IGN);

    context = modbus_new_tcp("127.0.0.1", 1);
    if (context == NULL)
        die("modbus_new_tcp");
    /* libmodbus waits this long before it answers a quantity beyond the limit with exception 03. */
    modbus_set_response_timeout(context, 0, 10000);
    tables = make_tables();
    listener = listen_on(port);
    loop(listener, context, tables, moving, until_eof);
    print_counts();
    modbus_mapping_free(tables);
    modbus_free(context);
    return 0;
}
