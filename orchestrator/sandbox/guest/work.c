/*
 * A load that needs nothing but a CPU: each thread stirs a buffer of 4 KiB with a xorshift generator (Marsaglia, 2003) and
 * counts its rounds. Once a second, or so many times, it prints what all threads together have done since the start.
 *
 *   work THREADS [SECONDS [TIMES]]
 *
 * It ends after SECONDS (0: not by itself), on SIGTERM, SIGINT or SIGHUP, or when its output is no longer read.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdalign.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { CACHE_LINE = 64, WORDS = 512, MAX_THREADS = 1024, MAX_TIMES = 100, NANOSECONDS = 1000000000 };

/* A cache line of its own for each thread, so that counting does not make threads wait for each other. */
struct worker {
    alignas(CACHE_LINE) atomic_uint_fast64_t operations;
    uint64_t seed;
};

static struct worker workers[MAX_THREADS];

static void *stir(void *argument)
{
    struct worker *self = argument;
    uint64_t buffer[WORDS] = {0}, state = self->seed, done = 0;

    for (;;) {
        for (int i = 0; i < WORDS; i++) {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            buffer[i] += state;
            state += buffer[(i * 7) % WORDS] | 1;
        }
        atomic_store_explicit(&self->operations, ++done, memory_order_relaxed);
    }
    return NULL;
}

static uint64_t now_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * NANOSECONDS + (uint64_t)now.tv_nsec;
}

static uint64_t total(long threads)
{
    uint64_t sum = 0;
    for (long i = 0; i < threads; i++)
        sum += atomic_load_explicit(&workers[i].operations, memory_order_relaxed);
    return sum;
}

/* Waits until a moment; nonzero when there is a reason to end before: a signal, or nobody reads the output any more. */
static int stopped(uint64_t until_ns, const sigset_t *signals)
{
    for (;;) {
        uint64_t now = now_ns();
        if (now >= until_ns)
            return 0;
        uint64_t left = until_ns - now, slice = NANOSECONDS / 10;
        if (left > slice)
            left = slice;
        struct timespec wait = {(time_t)(left / NANOSECONDS), (long)(left % NANOSECONDS)};
        if (sigtimedwait(signals, NULL, &wait) > 0)
            return 1;
        struct pollfd output = {.fd = STDOUT_FILENO, .events = 0};
        if (poll(&output, 1, 0) > 0 && output.revents & (POLLERR | POLLNVAL))
            return 1;
    }
}

static long whole(const char *text, long least, long most)
{
    char *end;
    errno = 0;
    long value = strtol(text, &end, 10);
    return errno || *text == '\0' || *end != '\0' || value < least || value > most ? -1 : value;
}

int main(int count, char **arguments)
{
    long threads = count > 1 ? whole(arguments[1], 1, MAX_THREADS) : -1;
    long seconds = count > 2 ? whole(arguments[2], 0, 1000000000) : 0;
    long times = count > 3 ? whole(arguments[3], 1, MAX_TIMES) : 1;
    if (count < 2 || count > 4 || threads < 0 || seconds < 0 || times < 0) {
        fprintf(stderr, "usage: work THREADS [SECONDS [TIMES]]  (1 to %d threads; endless without SECONDS or with 0; "
                "prints 1 to %d times a second)\n", MAX_THREADS, MAX_TIMES);
        return 2;
    }

    /* Blocked before there are threads, so that only the main thread takes them, and only where it waits. A shell without
       job control starts its commands with INT ignored; blocked and waited for, it works all the same. */
    sigset_t signals;
    sigemptyset(&signals);
    sigaddset(&signals, SIGTERM);
    sigaddset(&signals, SIGINT);
    sigaddset(&signals, SIGHUP);
    pthread_sigmask(SIG_BLOCK, &signals, NULL);
    signal(SIGPIPE, SIG_IGN);
    setvbuf(stdout, NULL, _IOLBF, 0);

    uint64_t start = now_ns(), due = start, period = NANOSECONDS / (uint64_t)times;
    for (long i = 0; i < threads; i++) {
        pthread_t thread;
        workers[i].seed = 88172645463325252ULL + (uint64_t)i * 0x9E3779B97F4A7C15ULL;
        int failed = pthread_create(&thread, NULL, stir, &workers[i]);
        if (failed) {
            fprintf(stderr, "work: thread %ld cannot be started: %s\n", i + 1, strerror(failed));
            return 1;
        }
    }

    uint64_t before = 0, before_ns = start;
    for (;;) {
        due += period;
        if (stopped(due, &signals))
            return 0;
        uint64_t done = total(threads), now = now_ns();
        double rate = (double)(done - before) * NANOSECONDS / (double)(now - before_ns);
        if (printf("work: %llu operations, %.1f a second after %.3f s\n", (unsigned long long)done, rate,
                   (double)(now - start) / NANOSECONDS) < 0)
            return 0;
        if (seconds && now - start >= (uint64_t)seconds * NANOSECONDS)
            return 0;
        before = done;
        before_ns = now;
        while (due + period <= now) /* a guest that was frozen does not print what it has missed */
            due += period;
    }
}
