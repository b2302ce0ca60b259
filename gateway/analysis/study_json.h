/*
 * study_json - the sheets of a load study as JSON, for the tool and the page.
 *
 *     {"site":"maple-12","standard":"UL489","edition":"2023","note":"...","verdict":"fits",
 *      "asked":{"circuit":"main-07","panel":null,"amps":8,"continuous":true,"fastened":false,
 *               "dedicated":false},
 *      "record":{"from":...,"to":...},
 *      "sheets":[{"kind":"branch","section":"210.20(A)","panel":"main","circuit":"main-07",
 *                 "verdict":"fits","va":null,"amps":20,"rating_amps":20,"room_amps":8,
 *                 "steps":[{"item":"maximum_demand","text":"...","name":"","section":"...",
 *                           "sum":"leg A","value":8,"unit":"A"}]}]}
 *
 * A condition's value is true, false, or null where a person has to judge. null for a number:
 * not known.
 */
#ifndef FORETRIP_STUDY_JSON_H
#define FORETRIP_STUDY_JSON_H

#include "study.h"

#include <jansson.h>

/* A new reference; NULL when memory is short. */
json_t *study_json(const struct load_study *l, const struct site *s,
                   const struct study_question *q, const struct study_sheet *sheets,
                   size_t count, int64_t from_wall_ms, int64_t to_wall_ms);

/* Beside every sheet, in every form. */
extern const char study_caution[];

#endif
