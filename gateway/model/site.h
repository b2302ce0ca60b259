/*
 * site - what is installed: panels, breakers, meters, and how they hang together.
 *
 * Plain data, filled by config/ and read by everybody. Cross references are indices into the
 * arrays of the same site; -1 means none. After site_finish they are all valid and the derived
 * members (feeds_panel, first_pole, poles_total) are set; the struct is then read only.
 *
 * Units      amps RMS, volts RMS line to neutral, degrees Celsius
 * Ownership  site_init .. site_free by the same owner; arrays grow by site_add_*
 * Threads    read only after site_finish, so shared freely
 */
#ifndef FORETRIP_SITE_H
#define FORETRIP_SITE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SITE_ID_SIZE 48   /* ids go into topics, columns and file names: [A-Za-z0-9_-], 1..47 */
#define SITE_NAME_SIZE 96 /* what people call it, UTF-8 */
#define SITE_PATH_SIZE 256
#define SITE_MAX_POLES 3
#define SITE_MAX_LEGS 3
#define SITE_MAX_PANELS 64
#define SITE_MAX_CIRCUITS 4096
#define SITE_MAX_METERS 256
#define SITE_MAX_BUSES 64

enum site_standard { SITE_UL489, SITE_IEC60898 };

/* What a branch circuit feeds, where somebody has said it. */
enum site_feeds { SITE_FEEDS_UNSAID, SITE_FEEDS_ONE, SITE_FEEDS_SEVERAL };

struct site_panel {
    char id[SITE_ID_SIZE];
    char name[SITE_NAME_SIZE];
    int legs;                     /* 1, 2 (split phase) or 3 */
    double rating_amps;           /* of its main or its busbar */
    char fed_by_id[SITE_ID_SIZE]; /* "" for a panel fed by the utility */
    int fed_by;                   /* circuit that feeds it, -1 for the utility */
    double ambient_celsius;       /* NaN when nobody said */
};

enum site_rs485 { /* who turns an RS-485 line round between sending and listening */
                  SITE_RS485_ADAPTER,
                  SITE_RS485_KERNEL,   /* the serial driver's own RS-485 mode */
                  SITE_RS485_RTS_HIGH, /* we do, by RTS: high while sending */
                  SITE_RS485_RTS_LOW,
};

/* PEM files; ca "" is no TLS */
struct site_bus_tls {
    char ca[SITE_PATH_SIZE], cert[SITE_PATH_SIZE], key[SITE_PATH_SIZE];
    char name[SITE_PATH_SIZE]; /* in the meter's certificate; "" is the host */
};

struct site_bus {
    char id[SITE_ID_SIZE];
    char device[SITE_PATH_SIZE]; /* serial line; "" for TCP */
    char host[SITE_PATH_SIZE];   /* TCP; "" for a serial line */
    int port;
    int baud;
    char parity; /* 'N', 'E', 'O' */
    int stop_bits;
    enum site_rs485 rs485;
    struct site_bus_tls tls;
    int poll_ms;    /* one poll of every meter on the bus in this time */
    int timeout_ms; /* how long a meter may take to answer */
};

struct site_meter {
    char id[SITE_ID_SIZE];
    int bus;
    int unit; /* Modbus unit id, 0..255 on TCP, 1..247 on a serial line */
    char map[SITE_ID_SIZE];
    int panel; /* whose voltages it measures, -1 when none */
};

struct site_circuit {
    char id[SITE_ID_SIZE];
    char name[SITE_NAME_SIZE];
    char position[16]; /* as the panel door says: "7", "7,9", "3-5" */
    int panel;
    int poles;   /* 1, 2 or 3: with two, the hotter pole is judged */
    char leg[4]; /* one letter a pole, "A", "AB", "ABC" */
    double breaker_amps;
    char type;                    /* 'B', 'C', 'D' for IEC, '\0' otherwise */
    int meter;                    /* -1 when nothing measures it */
    int channels[SITE_MAX_POLES]; /* one a pole, 1-based as on the meter; 0 when none */
    double ct_ratio;  /* multiplies what the meter says; 1 when the map already scales right */
    bool ct_reversed; /* the transformer faces the other way: watts change sign */
    bool essential;   /* a freezer, a sump pump, medical equipment: never told to switch off */
    bool full_rated;  /* the breaker is marked for 100 % continuous load */
    enum site_feeds feeds;
    double fastened_amps; /* nameplate of what is fastened in place on it, 0 for nothing */
    char neutral_group[SITE_ID_SIZE]; /* circuits that share one neutral carry the same word */
    int feeds_panel; /* derived: the panel behind this breaker, -1 for a branch circuit */
    int first_pole;  /* derived: index of its first pole among all poles of the site */
};

struct site {
    char id[SITE_ID_SIZE];
    char name[SITE_NAME_SIZE];
    char timezone[64]; /* "America/Chicago" */
    enum site_standard standard;
    double nominal_volts;

    struct site_panel *panels;
    size_t panel_count;
    struct site_bus *buses;
    size_t bus_count;
    struct site_meter *meters;
    size_t meter_count;
    struct site_circuit *circuits;
    size_t circuit_count;

    size_t poles_total; /* derived */
};

void site_init(struct site *s);
void site_free(struct site *s);

/* Append a zeroed element with its defaults and return it, NULL when memory or the bound is
 * short. The pointer is good until the next site_add_ of the same kind. */
struct site_panel *site_add_panel(struct site *s);
struct site_bus *site_add_bus(struct site *s);
struct site_meter *site_add_meter(struct site *s);
struct site_circuit *site_add_circuit(struct site *s);

/* Index by id, -1 when there is none. */
int site_find_panel(const struct site *s, const char *id);
int site_find_bus(const struct site *s, const char *id);
int site_find_meter(const struct site *s, const char *id);
int site_find_circuit(const struct site *s, const char *id);

/* Resolves fed_by_id and sets the derived members. Asserts what config/ has already checked. */
void site_finish(struct site *s);

/* [A-Za-z0-9_-], 1 to SITE_ID_SIZE - 1 characters. */
bool site_id_valid(const char *id);

/* "breaker 7 (Upstairs bath) in Main panel, cellar": how every text names a breaker. Returns
 * out. */
char *site_describe_circuit(const struct site *s, int circuit, char *out, size_t capacity);

#endif
