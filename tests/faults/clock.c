/* A process whose wall clock is off by CLOCK_OFF_S seconds: loaded before libc. What durations are measured by is not. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>

static long off(void)
{
    const char *text = getenv("CLOCK_OFF_S");
    return text ? atol(text) : 0;
}

int clock_gettime(clockid_t clock, struct timespec *now)
{
    static int (*real)(clockid_t, struct timespec *);
    if (!real)
        real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    int failed = real(clock, now);
    if (!failed && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE))
        now->tv_sec += off();
    return failed;
}

int gettimeofday(struct timeval *now, void *zone)
{
    struct timespec fine;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &fine))
        return -1;
    now->tv_sec = fine.tv_sec;
    now->tv_usec = fine.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *into)
{
    struct timespec fine;
    clock_gettime(CLOCK_REALTIME, &fine);
    if (into)
        *into = fine.tv_sec;
    return fine.tv_sec;
}
