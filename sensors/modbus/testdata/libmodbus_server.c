/* A Modbus device for the tests, made of libmodbus.
 *
 * usage: libmodbus_server tcp PORT
 *        libmodbus_server rtu PORT_FILE
 *
 * Tables: see the tests. Prints "ready" when it listens.
 */

#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int main(int argc, char **argv)
{
	modbus_t *ctx;
	modbus_mapping_t *map;
	uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
	int i, n, listener = -1, tcp;

	if (argc != 3) {
		fprintf(stderr, "usage: %s tcp PORT | rtu PORT_FILE\n", argv[0]);
		return 2;
	}
	tcp = strcmp(argv[1], "tcp") == 0;
	ctx = tcp ? modbus_new_tcp("127.0.0.1", atoi(argv[2]))
		  : modbus_new_rtu(argv[2], 115200, 'E', 8, 1);
	map = modbus_mapping_new(2100, 2100, 200, 200);
	if (ctx == NULL || map == NULL) {
		fprintf(stderr, "%s\n", modbus_strerror(errno));
		return 1;
	}
	for (i = 0; i < 2100; i++) {
		map->tab_bits[i] = i % 3 == 0;
		map->tab_input_bits[i] = i % 5 == 0;
	}
	for (i = 0; i < 200; i++) {
		map->tab_registers[i] = i * 7;
		map->tab_input_registers[i] = 65535 - 3 * i;
	}
	if (tcp)
		listener = modbus_tcp_listen(ctx, 1);
	else
		modbus_set_slave(ctx, 1);
	if (tcp ? listener < 0 : modbus_connect(ctx) < 0) {
		fprintf(stderr, "%s\n", modbus_strerror(errno));
		return 1;
	}
	printf("ready\n");
	fflush(stdout);
	for (;;) {
		if (tcp && modbus_tcp_accept(ctx, &listener) < 0)
			return 1;
		for (;;) {
			n = modbus_receive(ctx, query);
			if (n > 0)
				modbus_reply(ctx, query, n, map);
			else if (n < 0 && (tcp || errno == EBADF || errno == EIO))
				break;
		}
		if (!tcp)
			return 0;
		modbus_close(ctx);
	}
}
