/*
 * paragraph - text in lines of a printed page's width.
 */
#ifndef FORETRIP_TOOL_PARAGRAPH_H
#define FORETRIP_TOOL_PARAGRAPH_H

/* To standard output, each line after so many spaces. */
void paragraph_print(const char *text, int indent);

#endif
