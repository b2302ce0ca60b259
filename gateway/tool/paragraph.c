#include "paragraph.h"

#include <stdbool.h>
#include <stdio.h>
#include <string.h>

#define PAGE_COLUMNS 100

static int lay(const char *text, int indent, bool print)
{
    size_t column = 0;
    int lines = 1;
    while (*text) {
        size_t word = strcspn(text, " ");
        if (column > 0 && column + 1 + word > PAGE_COLUMNS) {
            lines++;
            column = 0;
            if (print)
                putchar('\n');
        }
        if (print)
            printf("%*s", column == 0 ? indent : 1, "");
        column += column == 0 ? (size_t)indent : 1;
        if (print)
            printf("%.*s", (int)word, text);
        column += word;
        text += word + (text[word] == ' ');
    }
    if (print)
        putchar('\n');
    return lines;
}

int paragraph_print(const char *text, int indent)
{
    return lay(text, indent, true);
}

int paragraph_lines(const char *text, int indent)
{
    return lay(text, indent, false);
}
