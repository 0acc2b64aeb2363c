// Sets the pull of simulated GPIO lines, and says between which instants it did so.
//
// edges FILE STATE MILLISECONDS [FILE STATE MILLISECONDS]...
//
// For each, one line: the monotonic clock before and after the write, and the boot clock less the
// monotonic one, in nanoseconds; then it waits as long as it was told.
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static long long now(clockid_t clock) {
    struct timespec t;
    clock_gettime(clock, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

int main(int count, char **words) {
    if (count < 4 || (count - 1) % 3 != 0) {
        fprintf(stderr, "usage: edges FILE STATE MILLISECONDS...\n");
        return 64;
    }
    for (int at = 1; at < count; at += 3) {
        int file = open(words[at], O_WRONLY);
        if (file < 0) {
            perror(words[at]);
            return 66;
        }
        long long before = now(CLOCK_MONOTONIC);
        ssize_t written = write(file, words[at + 1], strlen(words[at + 1]));
        long long after = now(CLOCK_MONOTONIC);
        close(file);
        if (written < 0) {
            perror("write");
            return 74;
        }
        // From the kernel's stamps to the station's boot clock: what was suspended, and what was slewed.
        long long suspended = now(CLOCK_BOOTTIME) - now(CLOCK_MONOTONIC);
        long long slewed = now(CLOCK_MONOTONIC_RAW) - now(CLOCK_MONOTONIC);
        printf("%lld %lld %lld\n", before, after, suspended + slewed);
        fflush(stdout);
        long wait = atol(words[at + 2]);
        struct timespec pause = {wait / 1000, wait % 1000 * 1000000L};
        nanosleep(&pause, NULL);
    }
    return 0;
}
