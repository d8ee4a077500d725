/* A plain Modbus TCP client on libmodbus: 32 coils and 16 registers a sample, nothing is kept of the values.
   client PORT HERTZ SECONDS; HERTZ 0: as fast as it goes, else by absolute deadlines, those that passed are left out.
   Prints the ns of processor time that it took, then a line for each read of the coils: "sent received" in ns of
   CLOCK_MONOTONIC. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static long long clock_ns(clockid_t clock)
{
    struct timespec now;
    clock_gettime(clock, &now);
    return now.tv_sec * 1000000000LL + now.tv_nsec;
}

static long long now_ns(void)
{
    return clock_ns(CLOCK_MONOTONIC);
}

static void sleep_until(long long instant_ns)
{
    struct timespec until = {instant_ns / 1000000000LL, instant_ns % 1000000000LL};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL) == EINTR)
        ;
}

int main(int count, char **words)
{
    if (count != 4)
        return 2;
    modbus_t *context = modbus_new_tcp("127.0.0.1", atoi(words[1]));
    long long period = atoi(words[2]) ? 1000000000LL / atoi(words[2]) : 0;
    double seconds = atof(words[3]);
    size_t most = (size_t)(seconds * (period ? atoi(words[2]) : 200000)) + 16, done = 0;
    long long *instants = malloc(most * 2 * sizeof *instants);
    uint8_t coils[32];
    uint16_t registers[16];

    if (instants == NULL || modbus_connect(context))
        return 1;
    long long deadline = now_ns(), end = deadline + (long long)(seconds * 1e9);
    while (done < most && now_ns() < end) {
        if (period) {
            sleep_until(deadline);
            deadline += ((now_ns() - deadline) / period + 1) * period;
        }
        instants[2 * done] = now_ns();
        if (modbus_read_bits(context, 0, 32, coils) != 32)
            return 1;
        instants[2 * done + 1] = now_ns();
        if (modbus_read_registers(context, 0, 16, registers) != 16)
            return 1;
        done++;
    }
    printf("%lld 0\n", clock_ns(CLOCK_PROCESS_CPUTIME_ID));
    for (size_t each = 0; each < done; each++)
        printf("%lld %lld\n", instants[2 * each], instants[2 * each + 1]);
    return 0;
}
