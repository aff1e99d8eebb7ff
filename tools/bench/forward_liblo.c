/* A forwarder on liblo, the compiled peer of the benchmarks.
 *
 * usage: forward_liblo LISTEN_PORT SINK_PORT CHANNELS BUSES
 *
 * One method for each send level, /out/BB/in/CC/level ,f; a value above the ceiling is brought
 * down to it, then the message goes out again under the same address. Prints "ready" once.
 */
#include <lo/lo.h>
#include <stdio.h>
#include <stdlib.h>

#define CEILING_DB 12.0f

static lo_address sink;

static int forward(const char *path, const char *types, lo_arg **argv, int argc, lo_message message,
                   void *user)
{
    (void)types, (void)argc, (void)message, (void)user;
    float level_db = argv[0]->f;
    if (!(level_db <= CEILING_DB))
        level_db = CEILING_DB;
    lo_send(sink, path, "f", level_db);
    return 0;
}

static void trouble(int number, const char *text, const char *where)
{
    fprintf(stderr, "forward_liblo: %d %s %s\n", number, text, where ? where : "");
}

int main(int argc, char **argv)
{
    if (argc != 5) {
        fprintf(stderr, "usage: forward_liblo LISTEN_PORT SINK_PORT CHANNELS BUSES\n");
        return 2;
    }
    sink = lo_address_new("127.0.0.1", argv[2]);
    lo_server server = lo_server_new_with_proto(argv[1], LO_UDP, trouble);
    if (server == NULL)
        return 1;
    int channels = atoi(argv[3]), buses = atoi(argv[4]);
    char path[64];
    for (int channel = 1; channel <= channels; channel++)
        for (int bus = 1; bus <= buses; bus++) {
            snprintf(path, sizeof path, "/out/%02d/in/%02d/level", bus, channel);
            lo_server_add_method(server, path, "f", forward, NULL);
        }
    puts("ready");
    fflush(stdout);
    for (;;)
        lo_server_recv(server);
}
