/* A disk that misbehaves, for one program: put in front of the C library with LD_PRELOAD. What it does
   stands in the file FAULTS_ORDER, as a word and a number, and is read again before each call:

     good        nothing
     slow N      each fsync takes N milliseconds longer
     sync-eio    fsync fails with EIO
     write-eio   writing fails with EIO
     read-only   writing fails with EROFS, as on a file system that the kernel made read-only
     full        writing fails with ENOSPC

   Only files whose path begins with FAULTS_PATH are meant. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <time.h>
#include <unistd.h>
#include <fcntl.h>

static int meant(int fd) {
    const char *path = getenv("FAULTS_PATH");
    char link[64], name[4096];
    if (!path) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, name, sizeof name - 1);
    if (n < 0) return 0;
    name[n] = 0;
    return strncmp(name, path, strlen(path)) == 0;
}

static void order(char word[16], long *number) {
    const char *path = getenv("FAULTS_ORDER");
    strcpy(word, "good");
    *number = 0;
    FILE *file = path ? fopen(path, "re") : NULL;
    if (!file) return;
    if (fscanf(file, "%15s %ld", word, number) < 1) strcpy(word, "good");
    fclose(file);
}

static int refuses_writing(int fd) {
    char word[16];
    long number;
    if (!meant(fd)) return 0;
    order(word, &number);
    if (!strcmp(word, "write-eio")) return EIO;
    if (!strcmp(word, "read-only")) return EROFS;
    if (!strcmp(word, "full")) return ENOSPC;
    return 0;
}

#define REAL(type, name, ...) \
    static type (*real)(__VA_ARGS__); \
    if (!real) real = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

static int before_sync(int fd) {
    char word[16];
    long number;
    if (!meant(fd)) return 0;
    order(word, &number);
    if (!strcmp(word, "slow")) {
        struct timespec wait = { number / 1000, number % 1000 * 1000000L };
        nanosleep(&wait, NULL);
    }
    if (!strcmp(word, "read-only")) return EROFS;
    return strcmp(word, "sync-eio") ? 0 : EIO;
}

int fsync(int fd) {
    REAL(int, "fsync", int);
    int fails = before_sync(fd);
    if (fails) { errno = fails; return -1; }
    return real(fd);
}

int fdatasync(int fd) {
    REAL(int, "fdatasync", int);
    int fails = before_sync(fd);
    if (fails) { errno = fails; return -1; }
    return real(fd);
}

ssize_t pwrite64(int fd, const void *bytes, size_t count, off64_t at) {
    REAL(ssize_t, "pwrite64", int, const void *, size_t, off64_t);
    int fails = refuses_writing(fd);
    if (fails) { errno = fails; return -1; }
    return real(fd, bytes, count, at);
}

ssize_t pwrite(int fd, const void *bytes, size_t count, off_t at) {
    return pwrite64(fd, bytes, count, at);
}

ssize_t write(int fd, const void *bytes, size_t count) {
    REAL(ssize_t, "write", int, const void *, size_t);
    int fails = refuses_writing(fd);
    if (fails) { errno = fails; return -1; }
    return real(fd, bytes, count);
}

int ftruncate64(int fd, off64_t size) {
    REAL(int, "ftruncate64", int, off64_t);
    int fails = refuses_writing(fd);
    if (fails) { errno = fails; return -1; }
    return real(fd, size);
}
