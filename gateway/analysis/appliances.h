/*
 * appliances - which appliance a run was, as a probability.
 *
 * The features of a run, and of the load it belongs to, are compared with every signature: the
 * logarithms of a heavy-tailed density (Student's t of four degrees) add up over the features,
 * each with a weight, because features that go together must not count twice. Beside the
 * signatures stands a wide background, the unknown; Bayes' rule with the signatures' shares
 * gives the probabilities. Those of a group that is hard to tell apart add up. A name is given
 * only from the signature's `sure` on.
 *
 * See docs/method/appliances.md for the figures.
 */
#ifndef FORETRIP_APPLIANCES_H
#define FORETRIP_APPLIANCES_H

#include "learned.h"

#include "model/signature.h"

struct appliance_guess {
    const struct signature *signature; /* NULL: unknown */
    float probability;                 /* of that name, or of its being unknown */
};

/* The features on their scales; NaN where nothing is known. load may be NULL. volts is what
 * turns amps into the watts of a 230 V appliance (appliances_volts); power_factor may be NaN.
 */
void appliances_features(const struct run_shape *s, const struct learned_load *load,
                         double volts, float power_factor, float x[SIGNATURE_FEATURES]);

/* For one circuit: the nominal volts between its poles, and more where appliances for 120 V
 * stand for larger ones. */
double appliances_volts(const struct site *s, int circuit);

/* Of each signature, the logarithm of its odds against the unknown, its share included. */
void appliances_odds(const struct signature_set *set, const float x[SIGNATURE_FEATURES],
                     float odds[SIGNATURE_MAX]);

/* The most probable of the group of signature i, the group's first when none of it stands out;
 * sum: of the group's odds (not their logarithms). */
const struct signature *appliances_of_group(const struct signature_set *set, const float odds[],
                                            size_t i, float *sum);

struct appliance_guess appliances_judge(const struct signature_set *set,
                                        const float x[SIGNATURE_FEATURES]);

#endif
