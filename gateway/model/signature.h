/*
 * signature - what an appliance looks like to a current transformer.
 *
 * Read from appliances.cfg by config/, compared with runs by analysis/.
 */
#ifndef FORETRIP_SIGNATURE_H
#define FORETRIP_SIGNATURE_H

#include "site.h"

#define SIGNATURE_KEY_SIZE 48

struct signature {
    char key[SIGNATURE_KEY_SIZE]; /* "kettle", "refrigerator": published in events */
    char name[SITE_NAME_SIZE];    /* for people */
    double watts_low, watts_high; /* where nine in ten of them lie */
    bool essential;
};

struct signature_set {
    struct signature *signatures;
    size_t count;
};

void signature_set_free(struct signature_set *set);

#endif
