/* A client on libmodbus, for tests.
 *
 *   c_client PORT UNIT REQUEST...
 *
 * Carries out the requests one after the other on 127.0.0.1 and prints one line of JSON for each: {"values": [...]} for
 * what was read, {"values": []} for a write, {"exception": CODE} for a device's no, {"error": "..."} for anything else.
 * A request is words joined by colons, numbers decimal, lists joined by commas, the function in hexadecimal:
 *
 *   01:ADDRESS:COUNT  02:...  03:...  04:...    read coils, discrete inputs, holding registers, input registers
 *   05:ADDRESS:VALUE  06:ADDRESS:VALUE          write one coil (0 or 1), one register
 *   0F:ADDRESS:VALUES  10:ADDRESS:VALUES        write coils, registers
 *   16:ADDRESS:AND:OR                           mask write
 *   17:ADDRESS:COUNT:ADDRESS:VALUES             write registers (the last two), read others (the first two)
 *   07                                          read exception status
 *   11                                          report server id
 */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { WORDS_MAX = 6, VALUES_MAX = 2000 };

static int split(char *text, const char *by, char **words, int most)
{
    int count = 0;

    for (char *word = strtok(text, by); word != NULL && count < most; word = strtok(NULL, by))
        words[count++] = word;
    return count;
}

static int numbers(char *text, uint16_t *into)
{
    static char *words[VALUES_MAX];
    int count = split(text, ",", words, VALUES_MAX);

    for (int i = 0; i < count; i++)
        into[i] = (uint16_t)strtoul(words[i], NULL, 10);
    return count;
}

static void print_answer(int result, const uint16_t *values, int count)
{
    if (result < 0) {
        int code = errno - MODBUS_ENOBASE;

        if (code > 0 && code < MODBUS_EXCEPTION_MAX)
            printf("{\"exception\": %d}\n", code);
        else
            printf("{\"error\": \"%s\"}\n", modbus_strerror(errno));
    } else {
        printf("{\"values\": [");
        for (int i = 0; i < count; i++)
            printf("%s%u", i ? ", " : "", values[i]);
        printf("]}\n");
    }
    fflush(stdout);
}

static void widen(const uint8_t *bytes, uint16_t *values, int count)
{
    for (int i = 0; i < count; i++)
        values[i] = bytes[i];
}

static void carry_out(modbus_t *context, int unit, char *text)
{
    static uint16_t values[VALUES_MAX];
    static uint8_t bytes[VALUES_MAX];
    char *word[WORDS_MAX] = {0};
    int words = split(text, ":", word, WORDS_MAX);
    int function = (int)strtol(word[0], NULL, 16);
    int address = words > 1 ? atoi(word[1]) : 0;
    int count = words > 2 ? atoi(word[2]) : 0;
    int result = -1;

    errno = EINVAL;
    switch (function) {
    case 0x01:
    case 0x02:
        result = function == 1 ? modbus_read_bits(context, address, count, bytes)
                               : modbus_read_input_bits(context, address, count, bytes);
        widen(bytes, values, result < 0 ? 0 : count);
        break;
    case 0x03:
        result = modbus_read_registers(context, address, count, values);
        break;
    case 0x04:
        result = modbus_read_input_registers(context, address, count, values);
        break;
    case 0x05:
        result = modbus_write_bit(context, address, count);
        count = 0;
        break;
    case 0x06:
        result = modbus_write_register(context, address, count);
        count = 0;
        break;
    case 0x07: {
        uint8_t request[] = {(uint8_t)unit, 0x07};
        uint8_t answer[MODBUS_TCP_MAX_ADU_LENGTH];

        modbus_send_raw_request(context, request, sizeof request);
        result = modbus_receive_confirmation(context, answer);
        values[0] = result > 8 ? answer[8] : 0;
        count = 1;
        break;
    }
    case 0x0F:
        count = numbers(word[2], values);
        for (int i = 0; i < count; i++)
            bytes[i] = (uint8_t)values[i];
        result = modbus_write_bits(context, address, count, bytes);
        count = 0;
        break;
    case 0x10:
        count = numbers(word[2], values);
        result = modbus_write_registers(context, address, count, values);
        count = 0;
        break;
    case 0x11:
        result = modbus_report_slave_id(context, sizeof bytes, bytes);
        count = result < 0 ? 0 : result;
        widen(bytes, values, count);
        break;
    case 0x16:
        result = modbus_mask_write_register(context, address, (uint16_t)atoi(word[2]), (uint16_t)atoi(word[3]));
        count = 0;
        break;
    case 0x17: {
        static uint16_t source[VALUES_MAX];
        int written = numbers(word[4], source);

        result = modbus_write_and_read_registers(context, atoi(word[3]), written, source, address, count, values);
        break;
    }
    default:
        break;
    }
    print_answer(result, values, count);
}

int main(int argc, char **argv)
{
    modbus_t *context;

    if (argc < 4) {
        fprintf(stderr, "usage: c_client PORT UNIT REQUEST...\n");
        return 2;
    }
    context = modbus_new_tcp("127.0.0.1", atoi(argv[1]));
    modbus_set_slave(context, atoi(argv[2]));
    modbus_set_response_timeout(context, 5, 0);
    if (modbus_connect(context) < 0) {
        fprintf(stderr, "c_client: %s\n", modbus_strerror(errno));
        modbus_free(context);
        return 1;
    }
    for (int i = 3; i < argc; i++)
        carry_out(context, atoi(argv[2]), argv[i]);
    modbus_close(context);
    modbus_free(context);
    return 0;
}
