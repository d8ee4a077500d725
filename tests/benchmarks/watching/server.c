/* A Modbus TCP server on libmodbus: as little as a server can do. Prints its port, then serves any number of clients
   until its standard input ends. One coil and one register move twenty times a second, as a heartbeat does. */
#include <arpa/inet.h>
#include <modbus.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

static long long now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec * 1000000000LL + now.tv_nsec;
}

int main(void)
{
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t length = sizeof address;
    int listener = socket(AF_INET, SOCK_STREAM, 0), one = 1, highest = listener;
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    long long moves_ns = 0;
    modbus_t *context = modbus_new_tcp("127.0.0.1", 1502);
    modbus_mapping_t *image = modbus_mapping_new(64, 64, 64, 64);
    fd_set watched;

    if (bind(listener, (struct sockaddr *)&address, sizeof address) || listen(listener, 64))
        return 1;
    getsockname(listener, (struct sockaddr *)&address, &length);
    printf("%d\n", ntohs(address.sin_port));
    fflush(stdout);
    FD_ZERO(&watched);
    FD_SET(STDIN_FILENO, &watched);
    FD_SET(listener, &watched);
    for (;;) {
        fd_set ready = watched;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 1 || FD_ISSET(STDIN_FILENO, &ready))
            return 0;
        for (int peer = STDIN_FILENO + 1; peer <= highest; peer++) {
            if (!FD_ISSET(peer, &ready))
                continue;
            if (peer == listener) {
                int fresh = accept(listener, NULL, NULL);
                setsockopt(fresh, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
                FD_SET(fresh, &watched);
                highest = fresh > highest ? fresh : highest;
                continue;
            }
            modbus_set_socket(context, peer);
            int size = modbus_receive(context, query);
            if (now_ns() >= moves_ns) {
                moves_ns = now_ns() + 50000000;
                image->tab_bits[0] ^= 1;
                image->tab_registers[0]++;
            }
            if (size < 0 || modbus_reply(context, query, size, image) < 0) {
                close(peer);
                FD_CLR(peer, &watched);
            }
        }
    }
}
