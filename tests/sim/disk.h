/*
 * disk.h: a simulated disk under SQLite: a VFS in memory that forgets what was not synced when the
 * power goes, tears what was being written, fails, and fills up, all by one seed.
 *
 * Files are named "STATION/ledger.db" and the like; one disk holds those of all stations. What a
 * sync has confirmed is there after a power cut; of what was written since, each sector of
 * DISK_SECTOR bytes is there or not, as the dice fall. A deleted file is gone at once.
 */
#ifndef BIBWEAVE_TESTS_SIM_DISK_H
#define BIBWEAVE_TESTS_SIM_DISK_H

#include <stddef.h>

#include "tests/sim/dice.h"

enum { DISK_SECTOR = 512 };

struct disk;

/* Registers the VFS under `name` (not the default). NULL when memory runs out. */
struct disk *disk_new(const char *name, uint64_t seed);
void disk_free(struct disk *disk); /* no file may be open any more */

/* The process at a station dies: open files answer nothing but errors from now on, so that closing
 * them changes nothing. What was written stays, synced or not. */
void disk_kill(struct disk *disk, const char *station);
/* The power goes at a station (kill it first): what was not synced is forgotten, sector by sector
 * as the dice fall. */
void disk_power_cut(struct disk *disk, const char *station);

enum disk_trouble {
    DISK_WELL,
    DISK_FULL,       /* no file may grow */
    DISK_BAD_WRITES, /* every write fails */
    DISK_BAD_SYNCS,  /* every sync fails */
};
/* From the `after`-th write or sync from now on (0: the next), until it is set again. */
void disk_set_trouble(struct disk *disk, const char *station, enum disk_trouble trouble,
                      uint64_t after);
/* Whether the trouble has struck since it was set. */
bool disk_has_struck(const struct disk *disk, const char *station);
/* Kills the station at the `after`-th write or sync from now on, in the middle of it. */
void disk_kill_after(struct disk *disk, const char *station, uint64_t after);
bool disk_is_dead(const struct disk *disk, const char *station);

/* Copies all files of a station to another name, as a backup or a clone of the folder. */
bool disk_copy(struct disk *disk, const char *from, const char *to);
/* Forgets all files of a station. */
void disk_erase(struct disk *disk, const char *station);

struct disk_counts {
    uint64_t writes, syncs, cuts, sectors_lost, torn, failed;
};
struct disk_counts disk_counts(const struct disk *disk);

#endif
