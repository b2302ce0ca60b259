#include "paragraph.h"

#include <stdio.h>
#include <string.h>

#define PAGE_COLUMNS 100

void paragraph_print(const char *text, int indent)
{
    size_t column = 0;
    while (*text) {
        size_t word = strcspn(text, " ");
        if (column > 0 && column + 1 + word > PAGE_COLUMNS) {
            putchar('\n');
            column = 0;
        }
        if (column == 0)
            column = (size_t)printf("%*s", indent, "");
        else
            column += (size_t)printf(" ");
        column += (size_t)printf("%.*s", (int)word, text);
        text += word + (text[word] == ' ');
    }
    putchar('\n');
}
