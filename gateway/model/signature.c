#include "signature.h"

#include <stdlib.h>

void signature_set_free(struct signature_set *set)
{
    free(set->signatures);
    *set = (struct signature_set){0};
}
