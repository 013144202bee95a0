/*
 * web_assets.h: the files of the pages, compiled into the program (node/pages/embed.cmake makes
 * web_assets.c). Constant; any thread.
 */
#ifndef BIBWEAVE_WEB_ASSETS_H
#define BIBWEAVE_WEB_ASSETS_H

#include <stddef.h>

struct web_asset {
    const char *name; /* "floor.html" */
    const char *type; /* for Content-Type */
    const unsigned char *data;
    size_t size;
};
/* Ended by one whose name is NULL. */
extern const struct web_asset web_assets[];

#endif
