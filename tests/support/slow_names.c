/* A name service that does not answer, preloaded: every question costs three seconds and fails.
 * Known are `good` at once, `late` after half a second, `later` after one and a half, and `once`
 * the first time that it is asked for. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <netdb.h>
#include <stdatomic.h>
#include <string.h>
#include <unistd.h>

typedef int Look(const char*, const char*, const struct addrinfo*, struct addrinfo**);

static atomic_int asked_once;

int getaddrinfo(const char* node, const char* service, const struct addrinfo* hints,
                struct addrinfo** found) {
  Look* const look = (Look*)dlsym(RTLD_NEXT, "getaddrinfo");
  const char* const name = node == NULL ? "" : node;
  int known = strcmp(name, "good") == 0;
  if (strcmp(name, "once") == 0) known = atomic_fetch_add(&asked_once, 1) == 0;
  if (strcmp(name, "late") == 0) known = usleep(500000) == 0;
  if (strcmp(name, "later") == 0) known = usleep(1500000) == 0;
  if (known) return look("127.0.0.1", service, hints, found);
  sleep(3);
  return EAI_AGAIN;
}
