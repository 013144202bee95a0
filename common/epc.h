/*
 * epc.h: EPC schemes of an event: what to write on a tag for a bib, and what a tag says.
 *
 * GID-96 is the General Identifier of the GS1 EPC Tag Data Standard: header 35h (8 bits), manager
 * 28, class 24, serial 36. `own` is for an organiser without a manager number: 32 bits of event
 * code, 16 bits zero, 48 bits of bib number; its PC word sets T = 1 and an AFI, so that it does
 * not pose as a GS1 code. `as-read` takes tags as they come.
 * Any thread; no I/O.
 */
#ifndef BIBWEAVE_EPC_H
#define BIBWEAVE_EPC_H

#include "common/bib.h"
#include "common/bytes.h"
#include "common/error.h"

/* Gen2 EPCs have 1 to 31 words of 16 bits; a TID is taken up to 32 bytes, even. */
enum { EPC_SIZE_MAX = 62, TID_SIZE_MAX = 32, EPC_96_SIZE = 12 };

struct epc {
    uint8_t size; /* bytes, even, 2 to EPC_SIZE_MAX */
    uint8_t data[EPC_SIZE_MAX];
};

struct tid {
    uint8_t size; /* bytes, even; 0 where it was not read */
    uint8_t data[TID_SIZE_MAX];
};

enum epc_scheme_kind { EPC_GID96 = 1, EPC_OWN = 2, EPC_AS_READ = 3 };

struct epc_scheme {
    enum epc_scheme_kind kind;
    uint32_t manager; /* gid96: at most 268435455 */
    uint32_t class_;  /* gid96: at most 16777215 */
    uint32_t code;    /* own: 1 to 4294967295 */
    uint8_t afi;      /* own: 0 for EPC_OWN_AFI, else another that epc_afi_fits */
};

/* The AFI of `own` chips, unless the event has another. The table of ISO/IEC 15693-3, as makers'
 * manuals print it, leaves values whose upper half is zero to proprietary use, which is what a
 * number of ours is: no register gives it a meaning. 0F is the one farthest from 07, which
 * libraries use for books in stock beside their own C2. It keeps no stranger's closed system from
 * using the same; the event's code does. */
enum { EPC_OWN_AFI = 0x0F, EPC_LIBRARY_LOAN_AFI = 0xC2, EPC_LIBRARY_STOCK_AFI = 0x07 };
/* Whether an event may have it in place of EPC_OWN_AFI: not a library's, nor 0, which says nothing
 * of what the chip is. */
bool epc_afi_fits(uint8_t afi);

/* "gid96:MANAGER:CLASS", "own:CODE", "own:CODE:AFI" (two hex digits) or "as-read". Errors:
 * ERR_USAGE, *scheme unchanged. */
enum error_code epc_scheme_parse(struct slice typed, struct epc_scheme *scheme, struct error *err)
    __attribute__((nonnull, warn_unused_result));
/* The same text into out (at least 40 bytes). */
void epc_scheme_text(const struct epc_scheme *scheme, char *out, size_t size)
    __attribute__((nonnull));

/* The EPC that the scheme gives to a bib. Errors: ERR_TAG for as-read (there is none to give), for
 * a label with letters, and for a number that the scheme cannot hold; *epc unchanged. */
enum error_code epc_for_bib(const struct epc_scheme *scheme, const struct bib *bib, struct epc *epc,
                            struct error *err) __attribute__((nonnull, warn_unused_result));

/* The bib number in an EPC of this scheme; false for a tag of any other scheme, manager, class or
 * event code, and always for as-read. */
bool epc_number(const struct epc_scheme *scheme, const struct epc *epc, uint64_t *number)
    __attribute__((nonnull));

/* Whether `epc` may be recorded for `bib` under the scheme: as-read takes any; the others take
 * only the EPC that epc_for_bib gives. Errors: ERR_TAG with a sentence that says whose number the
 * tag carries, where it carries one of this event. */
enum error_code epc_fits(const struct epc_scheme *scheme, const struct bib *bib,
                         const struct epc *epc, struct error *err)
    __attribute__((nonnull, warn_unused_result));

/* Hex text, either case, blanks around it dropped. Errors: ERR_TAG (not hex, not whole 16-bit
 * words, empty, too long), *epc or *tid unchanged. A TID must begin with E0h or E2h, the class
 * identifiers of ISO/IEC 15963 that RFID tags carry. */
enum error_code epc_parse(struct slice typed, struct epc *epc, struct error *err)
    __attribute__((nonnull, warn_unused_result));
enum error_code tid_parse(struct slice typed, struct tid *tid, struct error *err)
    __attribute__((nonnull, warn_unused_result));

#endif
