/* A Modbus server by libmodbus, as an independent peer: unit 1, 100 registers,
 * with some of the numbers of pymodbus_server.py at the same places. Frames,
 * checks and exceptions are libmodbus's; the orders of bytes are made here, as
 * its own functions of those names (modbus_set_float_abcd and so on) were seen
 * to exchange the bytes of each register in version 3.1.6.
 *
 * Usage: libmodbus_server rtu PATH | tcp PORT
 */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static uint32_t bits(float f)
{
    uint32_t i;
    memcpy(&i, &f, sizeof i);
    return i;
}

static uint16_t swapped(uint16_t r)
{
    return (uint16_t)(r << 8 | r >> 8);
}

static void fill(uint16_t *r, uint16_t last)
{
    uint32_t i = bits(1.2345f); /* ABCD */
    r[0] = i >> 16;
    r[1] = i & 0xFFFF;
    i = bits(2.3456f); /* DCBA */
    r[2] = swapped(i & 0xFFFF);
    r[3] = swapped(i >> 16);
    i = bits(5.1234f); /* BADC */
    r[4] = swapped(i >> 16);
    r[5] = swapped(i & 0xFFFF);
    i = bits(0.1234f); /* CDAB */
    r[6] = i & 0xFFFF;
    r[7] = i >> 16;
    r[32] = (uint16_t)-2;
    r[33] = 65535;
    r[99] = last;
}

int main(int argc, char **argv)
{
    if (argc != 3)
        return 2;
    int rtu = strcmp(argv[1], "rtu") == 0, s = -1;
    modbus_t *ctx = rtu ? modbus_new_rtu(argv[2], 9600, 'N', 8, 1) : modbus_new_tcp("127.0.0.1", atoi(argv[2]));
    modbus_mapping_t *map = modbus_mapping_new(4, 4, 100, 100);
    if (ctx == NULL || map == NULL)
        return 1;
    fill(map->tab_registers, 3);
    fill(map->tab_input_registers, 4);
    map->tab_bits[1] = map->tab_bits[3] = 1;
    map->tab_input_bits[0] = map->tab_input_bits[2] = 1;
    modbus_set_slave(ctx, 1);
    if (!rtu && (s = modbus_tcp_listen(ctx, 1)) < 0)
        return 1;
    if (rtu && modbus_connect(ctx) < 0) {
        fprintf(stderr, "connect: %s\n", modbus_strerror(errno));
        return 1;
    }
    puts("ready");
    fflush(stdout);
    for (;;) {
        uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
        if (!rtu && modbus_tcp_accept(ctx, &s) < 0)
            return 1;
        for (;;) {
            int n = modbus_receive(ctx, query);
            if (n > 0)
                modbus_reply(ctx, query, n, map);
            else if (n < 0 && !rtu)
                break; /* the client has left */
        }
        modbus_close(ctx);
    }
}
