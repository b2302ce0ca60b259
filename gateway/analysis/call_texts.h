/*
 * call_texts - what a service call says, in English and Spanish: the questions, the cautions,
 * the answers, what was found, what to do then, what to bring.
 *
 * One place for all of it: the page, the tool and the printed sheet show these words. Whatever
 * tells somebody to touch a breaker says who may, and the cautions go before it. Nobody is told
 * to open a panel's cover, to hold a handle, or to try a third time.
 *
 * Sources    29 CFR 1910.334(b)(2) and the OSHA letter of 2001-11-19; ESFI, home wiring tips;
 * CPSC 518; ESFI on GFCI. How a handle feels, dry hands, standing to the side, what an
 *            electrician brings: common practice. docs/service-call.md names them one by one.
 */
#ifndef FORETRIP_CALL_TEXTS_H
#define FORETRIP_CALL_TEXTS_H

#include "base/text.h"
#include "model/call.h"
#include "model/phrases.h"

enum call_language { CALL_ENGLISH, CALL_SPANISH };
#define CALL_LANGUAGES 2

/* "en" and "es"; another code gives English and false. */
bool call_language_find(const char *code, enum call_language *out);
const char *call_language_code(enum call_language l);

/* Who may do what the stage asks for. */
enum call_who { CALL_ANYBODY, CALL_ADULT, CALL_ELECTRICIAN };
const char *call_who_name(enum call_who w);
enum call_who call_texts_who(const struct site *s, const struct call *c);

/* The question that stands: a few words, and the sentences under them. p, here and below: how
 * appliances are called; NULL: by their keys. */
void call_texts_asked(const struct site *s, const struct phrases *p, const struct call *c,
                      enum call_language l, struct text *title, struct text *sentences);
const char *call_texts_who_may(enum call_who w, enum call_language l);

/* The cautions, one after another; NULL after the last. */
#define CALL_MOST_CAUTIONS 6
const char *const *call_texts_cautions(enum call_language l);

/* On the button of an answer. */
const char *call_texts_answer(enum call_stage s, enum call_answer a, enum call_language l);
const char *call_texts_danger(enum call_danger d, enum call_language l);

/* A step, as it stands in the record: "carries current". */
const char *call_texts_said(enum call_answer a, enum call_language l);
const char *call_texts_saw(enum call_sight s, enum call_language l);
const char *call_texts_outcome(enum call_outcome o, enum call_language l);

/* Of a call that has ended: what was found, and what to do now. */
void call_texts_found(const struct site *s, const struct phrases *p, const struct call *c,
                      enum call_language l, struct text *found, struct text *act);

/* What a licensed electrician brings; NULL after the last. */
#define CALL_MOST_BRING 5
const char *const *call_texts_bring(enum call_finding f, enum call_language l);

#endif
