/* The carry as a C program on libmodbus does it: read ten holding registers of one server, write them to another.
 *
 *   c_carry SOURCE_PORT DESTINATION_PORT PAIRS CARRIES PERIOD_US
 *
 * PAIRS connections to each server, used in turn, one carry at a time: each pair once in PERIOD_US, spread evenly over it;
 * with 0 as fast as it can. Prints {"carries": N, "cpu_ns": N, "wall_ns": N}, measured over the carries alone, after one
 * round to warm up.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>

enum { WORDS = 10 };

static modbus_t *connect_to(int port)
{
    modbus_t *context = modbus_new_tcp("127.0.0.1", port);

    modbus_set_slave(context, 1);
    if (modbus_connect(context) < 0) {
        fprintf(stderr, "c_carry: %s\n", modbus_strerror(errno));
        exit(1);
    }
    return context;
}

static void carry(modbus_t *source, modbus_t *destination)
{
    uint16_t words[WORDS];

    if (modbus_read_registers(source, 0, WORDS, words) != WORDS ||
        modbus_write_registers(destination, 0, WORDS, words) != WORDS) {
        fprintf(stderr, "c_carry: %s\n", modbus_strerror(errno));
        exit(1);
    }
}

static int64_t cpu_ns(void)
{
    struct rusage usage;

    getrusage(RUSAGE_SELF, &usage);
    return (usage.ru_utime.tv_sec + usage.ru_stime.tv_sec) * 1000000000LL +
           (usage.ru_utime.tv_usec + usage.ru_stime.tv_usec) * 1000LL;
}

static int64_t wall_ns(void)
{
    struct timespec time;

    clock_gettime(CLOCK_MONOTONIC, &time);
    return time.tv_sec * 1000000000LL + time.tv_nsec;
}

static void sleep_until(int64_t at)
{
    struct timespec time = {.tv_sec = at / 1000000000, .tv_nsec = at % 1000000000};

    clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &time, NULL);
}

int main(int argc, char **argv)
{
    int pairs, carries;
    modbus_t **source, **destination;
    int64_t cpu, wall, step;

    if (argc != 6) {
        fprintf(stderr, "usage: c_carry SOURCE_PORT DESTINATION_PORT PAIRS CARRIES PERIOD_US\n");
        return 2;
    }
    pairs = atoi(argv[3]);
    carries = atoi(argv[4]);
    step = atoll(argv[5]) * 1000 / pairs;
    source = calloc(pairs, sizeof *source);
    destination = calloc(pairs, sizeof *destination);
    for (int i = 0; i < pairs; i++) {
        source[i] = connect_to(atoi(argv[1]));
        destination[i] = connect_to(atoi(argv[2]));
        carry(source[i], destination[i]);
    }
    cpu = cpu_ns();
    wall = wall_ns();
    for (int i = 0; i < carries; i++) {
        if (step)
            sleep_until(wall + i * step);
        carry(source[i % pairs], destination[i % pairs]);
    }
    cpu = cpu_ns() - cpu;
    wall = wall_ns() - wall;
    printf("{\"carries\": %d, \"cpu_ns\": %lld, \"wall_ns\": %lld}\n", carries, (long long)cpu, (long long)wall);
    return 0;
}
