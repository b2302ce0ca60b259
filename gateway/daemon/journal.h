/*
 * journal - the log as entries of the service manager's journal, with fields to filter by.
 *
 *     MESSAGE           as on standard error: "bus: lan: the meter answers again"
 *     PRIORITY          of syslog: 3, 4, 6, 7
 *     FORETRIP_PART     the subsystem's word: bus, store, mqtt, engine, page ...
 *     SYSLOG_IDENTIFIER foretripd
 *
 *     journalctl -u foretripd FORETRIP_PART=bus
 *
 * An entry that the journal does not take goes to standard error, so that no line is lost.
 */
#ifndef FORETRIP_JOURNAL_H
#define FORETRIP_JOURNAL_H

/* Where standard error is a stream of the journal ($JOURNAL_STREAM, systemd.exec(5)) the log
 * goes there by its own protocol; elsewhere nothing changes. */
void journal_begin(void);

#endif
