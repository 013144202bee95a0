/*
 * interfaces.c: see interfaces.h.
 */
#include "node/interfaces.h"

#include <arpa/inet.h>
#include <ifaddrs.h>
#include <net/if.h>
#include <string.h>

static bool take_ipv4(const struct ifaddrs *from, struct interface_address *out) {
    struct sockaddr_in address;
    memcpy(&address, from->ifa_addr, sizeof(address));
    memcpy(out->ip, &address.sin_addr, sizeof(address.sin_addr));
    out->has_broadcast = (from->ifa_flags & IFF_BROADCAST) != 0;
    return true;
}

static bool take_ipv6(const struct ifaddrs *from, struct interface_address *out) {
    struct sockaddr_in6 address;
    memcpy(&address, from->ifa_addr, sizeof(address));
    memcpy(out->ip, &address.sin6_addr, sizeof(address.sin6_addr));
    out->ipv6 = true;
    return !IN6_IS_ADDR_LINKLOCAL(&address.sin6_addr);
}

static bool take(const struct ifaddrs *from, int family, uint16_t port,
                 struct interface_address *out) {
    char text[INET6_ADDRSTRLEN];
    bool usable = from->ifa_addr != NULL && from->ifa_addr->sa_family == family &&
                  (from->ifa_flags & IFF_UP) != 0 && (from->ifa_flags & IFF_LOOPBACK) == 0;
    if (!usable) {
        return false;
    }
    *out = (struct interface_address){.index = if_nametoindex(from->ifa_name)};
    return (family == AF_INET ? take_ipv4(from, out) : take_ipv6(from, out)) &&
           inet_ntop(family, out->ip, text, sizeof(text)) != NULL &&
           address_of(text, port, &out->address);
}

size_t interfaces_list(uint16_t port, struct interface_address out[INTERFACES_MAX]) {
    static const int families[] = {AF_INET, AF_INET6};
    struct ifaddrs *all = NULL;
    size_t count = 0;
    if (getifaddrs(&all) != 0) {
        return 0;
    }
    for (size_t i = 0; i < 2; i++) {
        for (const struct ifaddrs *at = all; at != NULL && count < INTERFACES_MAX;
             at = at->ifa_next) {
            count += take(at, families[i], port, &out[count]) ? 1 : 0;
        }
    }
    freeifaddrs(all);
    return count;
}
