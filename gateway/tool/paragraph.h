/*
 * paragraph - text in lines of a printed page's width.
 */
#ifndef FORETRIP_TOOL_PARAGRAPH_H
#define FORETRIP_TOOL_PARAGRAPH_H

#define PARAGRAPH_PAGE_LINES 60 /* of a printed page, A4 or Letter */

/* To standard output, each line after so many spaces; how many lines. */
int paragraph_print(const char *text, int indent);

/* How many lines it would take. */
int paragraph_lines(const char *text, int indent);

#endif
