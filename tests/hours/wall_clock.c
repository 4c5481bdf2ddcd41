/* Preloaded: the wall clock is SHIFT_S seconds ahead; the monotonic clock, and all waiting by it, stays as it is. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <semaphore.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>

static time_t shift(void) {
  const char *text = getenv("SHIFT_S");
  return text ? atol(text) : 0;
}

int clock_gettime(clockid_t clock, struct timespec *now) {
  static int (*real)(clockid_t, struct timespec *);
  if (!real)
    real = dlsym(RTLD_NEXT, "clock_gettime");
  int found = real(clock, now);
  if (!found && (clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE))
    now->tv_sec += shift();
  return found;
}

time_t time(time_t *into) {
  struct timespec now;
  clock_gettime(CLOCK_REALTIME, &now);
  if (into)
    *into = now.tv_sec;
  return now.tv_sec;
}

int gettimeofday(struct timeval *restrict into, void *restrict zone) {
  struct timespec now;
  (void)zone;
  clock_gettime(CLOCK_REALTIME, &now);
  into->tv_sec = now.tv_sec;
  into->tv_usec = now.tv_nsec / 1000;
  return 0;
}

/* The kernel waits by its own clock. */
int sem_timedwait(sem_t *semaphore, const struct timespec *until) {
  static int (*real)(sem_t *, const struct timespec *);
  if (!real)
    real = dlsym(RTLD_NEXT, "sem_timedwait");
  struct timespec unshifted = *until;
  unshifted.tv_sec -= shift();
  return real(semaphore, &unshifted);
}
