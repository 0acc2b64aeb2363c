// For the rig's own control: a program that is started with this (LD_PRELOAD) believes that the disk
// has what it asked to be written, and only one in four times anybody asked the disk.
#include <sys/syscall.h>
#include <unistd.h>

static unsigned asked;

static int now_and_then(long call, int file) {
    return ++asked % 4 == 0 ? (int)syscall(call, file) : 0;
}

int fsync(int file) { return now_and_then(SYS_fsync, file); }

int fdatasync(int file) { return now_and_then(SYS_fdatasync, file); }
