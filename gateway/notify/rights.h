/*
 * rights - who may ask the gateway for which command: over MQTT, and by the page.
 */
#ifndef FORETRIP_RIGHTS_H
#define FORETRIP_RIGHTS_H

#include "command.h"
#include "model/delivery.h"

/* Whether the sender may ask for that, and under which name it is recorded; else a sentence in
 * why. Without delivery.cfg's `commands_named`, a command that names nobody is an
 * electrician's: who may publish it is the broker's matter. */
#define RIGHTS_WHY_SIZE 256
bool rights_allow(const struct delivery *d, const struct command *c, const char **by,
                  char why[RIGHTS_WHY_SIZE]);

/* The same for somebody whose role is known: by the page. */
bool rights_allow_role(enum delivery_role role, const char *name, const struct command *c,
                       char why[RIGHTS_WHY_SIZE]);

#endif
