/* Faults of the system, for faults_disk.py: put before the C library with LD_PRELOAD.

   FAULT_BYTES=n    writes to recordings take n bytes altogether, then fail; the last one takes what is left
   FAULT_SYNCS=n    fsync of recordings works n times, then fails
   FAULT_ERRNO=e    the error number of both
   FAULT_CLOCK=s    the wall clock is wrong by s seconds in every second half second
*/
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static long long number(const char *name) {
    const char *text = getenv(name);
    return text ? atoll(text) : -1;
}

static int recording(int fd) {
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 5) return 0;
    path[n] = 0;
    return strstr(path, "Z-") != NULL && strcmp(path + n - 4, ".csv") == 0;
}

ssize_t write(int fd, const void *data, size_t size) {
    static ssize_t (*real)(int, const void *, size_t);
    static long long done;
    if (!real) real = (ssize_t (*)(int, const void *, size_t))dlsym(RTLD_NEXT, "write");
    long long most = number("FAULT_BYTES");
    if (most < 0 || !recording(fd)) return real(fd, data, size);
    if (done >= most) { errno = (int)number("FAULT_ERRNO"); return -1; }
    if ((long long)size > most - done) size = (size_t)(most - done);
    ssize_t n = real(fd, data, size);
    if (n > 0) done += n;
    return n;
}

int fsync(int fd) {
    static int (*real)(int);
    static long long done;
    if (!real) real = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    long long most = number("FAULT_SYNCS");
    if (most < 0 || !recording(fd)) return real(fd);
    if (done++ >= most) { errno = (int)number("FAULT_ERRNO"); return -1; }
    return real(fd);
}

static int (*clock_of)(clockid_t, struct timespec *);

static long long step(void) {
    long long by = number("FAULT_CLOCK");
    struct timespec now;
    if (!clock_of) clock_of = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    clock_of(CLOCK_MONOTONIC, &now);
    return by >= 0 && now.tv_nsec >= 500000000 ? by : 0;
}

int clock_gettime(clockid_t which, struct timespec *out) {
    long long by = step();
    int got = clock_of(which, out);
    if (got == 0 && (which == CLOCK_REALTIME || which == CLOCK_REALTIME_COARSE)) out->tv_sec += by;
    return got;
}

int gettimeofday(struct timeval *out, void *zone) {
    struct timespec now;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &now);
    out->tv_sec = now.tv_sec;
    out->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *out) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (out) *out = now.tv_sec;
    return now.tv_sec;
}
