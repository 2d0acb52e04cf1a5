/* A preloaded library that shows programs another date: CLOCK_SHIFT seconds later, and from the time
 * CLOCK_FROM on CLOCK_RATE times as fast. Clocks by which waiting is measured are left alone.
 *   cc -shared -fPIC -O2 -o clock.so clock.c -ldl
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <math.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>

static double from, shift, rate = 1;
static int (*real)(clockid_t, struct timespec *);

__attribute__((constructor)) static void begin(void) {
  const char *said;
  if ((said = getenv("CLOCK_FROM"))) from = atof(said);
  if ((said = getenv("CLOCK_SHIFT"))) shift = atof(said);
  if ((said = getenv("CLOCK_RATE"))) rate = atof(said);
}

int clock_gettime(clockid_t clock, struct timespec *t) {
  if (!real) real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
  int failed = real(clock, t);
  if (failed || (clock != CLOCK_REALTIME && clock != CLOCK_REALTIME_COARSE)) return failed;
  double more = shift + (rate - 1) * (t->tv_sec - from + t->tv_nsec * 1e-9), whole = floor(more);
  t->tv_sec += (time_t)whole;
  t->tv_nsec += (long)((more - whole) * 1e9);
  if (t->tv_nsec >= 1000000000) t->tv_sec++, t->tv_nsec -= 1000000000;
  return 0;
}

time_t time(time_t *to) {
  struct timespec t;
  clock_gettime(CLOCK_REALTIME, &t);
  if (to) *to = t.tv_sec;
  return t.tv_sec;
}

int gettimeofday(struct timeval *to, void *zone) {
  struct timespec t;
  (void)zone;
  clock_gettime(CLOCK_REALTIME, &t);
  to->tv_sec = t.tv_sec, to->tv_usec = t.tv_nsec / 1000;
  return 0;
}
