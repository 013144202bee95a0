/*
 * questions.h: what a person is asked before a verb runs, in the process of the command, and the
 * root's key taken out of its seal for it. Never in a node.
 */
#ifndef BIBWEAVE_QUESTIONS_H
#define BIBWEAVE_QUESTIONS_H

#include "node/verb.h"

enum { QUESTIONS_ANSWER_MAX = 64 };
struct questions {
    const char **words;       /* the call's words with the answers before them; NULL without any */
    const char *const *given; /* as they were */
    size_t count;
    char answer[QUESTIONS_ANSWER_MAX + 8];
};

/* Asks at the terminal for what the verb may ask and the words do not say, and puts the answers
 * before the call's words. To be put back in any case. */
void questions_ask(const struct verb *verb, struct verb_call *call, struct questions *questions)
    __attribute__((nonnull));
void questions_put_back(struct verb_call *call, struct questions *questions)
    __attribute__((nonnull));

/* After a call that ended with VERB_STATUS_SEALED: the passphrase from --passphrase-file or from
 * the terminal, and with it the seed (32 bytes) of the folder's root key.
 * Errors: ERR_SEALED (neither is there), those of passphrase.h and rootkey.h. */
enum error_code questions_unseal(const struct verb *verb, const struct verb_call *call,
                                 uint8_t seed[32], struct error *err)
    __attribute__((nonnull, warn_unused_result));

#endif
