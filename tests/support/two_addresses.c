/* Gives a host of the name `two-homed` two addresses, of which nobody serves the first: preloaded,
 * since a test may not write /etc/hosts. Every other name goes to the system. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <netdb.h>
#include <string.h>

typedef int Look(const char*, const char*, const struct addrinfo*, struct addrinfo**);

int getaddrinfo(const char* node, const char* service, const struct addrinfo* hints,
                struct addrinfo** found) {
  Look* const look = (Look*)dlsym(RTLD_NEXT, "getaddrinfo");
  if (node == NULL || strcmp(node, "two-homed") != 0) return look(node, service, hints, found);
  const int error = look("127.0.0.2", service, hints, found);
  if (error != 0) return error;
  struct addrinfo* last = *found;
  while (last->ai_next != NULL) last = last->ai_next;
  return look("127.0.0.1", service, hints, &last->ai_next);
}
