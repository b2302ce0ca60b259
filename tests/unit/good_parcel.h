/* A parcel as a gateway sends it. */
#ifndef FORETRIP_GOOD_PARCEL_H
#define FORETRIP_GOOD_PARCEL_H

static const char *const good_parcel =
    "{\"site\":\"maple-12\",\"after\":10,\"from\":12,\"to\":20,\"records\":["
    "{\"seq\":12,\"time\":\"2026-11-25T10:39:00.000Z\",\"type\":\"trip\",\"site\":\"maple-12\","
    "\"panel\":\"main\",\"circuit\":\"main-07\",\"trip\":\"main-07-1\",\"stage\":\"confirmed\","
    "\"probability\":0.95,\"opened_at\":\"2026-11-25T10:38:59.000Z\",\"cause\":\"overload\"},"
    "{\"seq\":13,\"time\":\"2026-11-25T10:39:01.000Z\",\"type\":\"alarm\",\"panel\":\"main\","
    "\"circuit\":\"main-07\",\"alarm\":\"main-07.trip\",\"kind\":\"trip\",\"priority\":"
    "\"high\","
    "\"state\":\"unacknowledged\",\"raised_at\":\"2026-11-25T10:39:01.000Z\",\"text\":\"x\"},"
    "{\"seq\":20,\"time\":\"2026-11-25T10:39:02.000Z\",\"type\":\"absence\",\"later\":{}}]}";

#endif
