#include "plot.h"

#include <math.h>
#include <stdio.h>

#define SVG_WIDTH 1000
#define SVG_HEIGHT 320
#define SVG_LEFT 60
#define SVG_TOP 40

/* the values that the picture reaches from and to: zero is always in it, the rating when near
 */
static void scale(const struct plot *p, double *low, double *high)
{
    *low = 0.0;
    *high = 0.0;
    for (size_t i = 0; i < p->count; i++) {
        if (isnan(p->buckets[i].mean))
            continue;
        *low = fmin(*low, p->buckets[i].least);
        *high = fmax(*high, p->buckets[i].most);
    }
    if (p->rating < 1.5 * *high)
        *high = fmax(*high, p->rating * 1.02);
    if (*high <= *low)
        *high = *low + 1.0;
}

static int line_of(double v, double low, double high, int height)
{
    int line = (int)((v - low) / (high - low) * height);
    return line < 0 ? 0 : line >= height ? height - 1 : line;
}

void plot_lines(const struct plot *p, int height, struct text *out)
{
    double low, high;
    scale(p, &low, &high);
    text_printf(out, "%s\n", p->title);
    for (int line = height - 1; line >= 0; line--) {
        double top = low + (high - low) * (line + 1) / height;
        if (line == height - 1 || line == height / 2)
            text_printf(out, "%9.4g %s|", top, p->unit);
        else
            text_append(out, "           |");
        for (size_t i = 0; i < p->count; i++) {
            const struct history_bucket *b = &p->buckets[i];
            bool rated = !isnan(p->rating) && line == line_of(p->rating, low, high, height) &&
                         p->rating <= high;
            const char *mark = rated ? "-" : " ";
            if (!isnan(b->mean) && line <= line_of(b->most, low, high, height) &&
                line >= line_of(b->least, low, high, height))
                mark = line == line_of(b->mean, low, high, height) ? "#" : ":";
            text_append(out, mark);
        }
        text_append(out, "\n");
    }
    text_printf(out, "%9.4g %s+%s", low, p->unit, p->left);
    for (size_t used = 0; used + 40 < p->count; used++)
        text_append(out, " ");
    text_printf(out, "  %s\n", p->right);
}

static double svg_y(double v, double low, double high)
{
    return SVG_TOP + SVG_HEIGHT * (1.0 - (v - low) / (high - low));
}

static void svg_text(struct text *out, double x, double y, const char *anchor,
                     const char *words)
{
    text_printf(out, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"%s\">", x, y, anchor);
    for (; *words; words++)
        if (*words == '<')
            text_append(out, "&lt;");
        else if (*words == '&')
            text_append(out, "&amp;");
        else
            text_append_bytes(out, words, 1);
    text_append(out, "</text>\n");
}

/* least..most as one closed shape a stretch with readings, the mean as a line over it */
static void svg_series(const struct plot *p, double low, double high, struct text *out)
{
    double step = (double)SVG_WIDTH / (double)p->count;
    for (size_t i = 0; i < p->count;) {
        size_t end = i;
        while (end < p->count && !isnan(p->buckets[end].mean))
            end++;
        if (end == i) {
            i++;
            continue;
        }
        text_append(out, "<path class=\"range\" d=\"");
        for (size_t k = i; k < end; k++)
            text_printf(out, "%s%.1f %.1fH%.1f", k == i ? "M" : "L",
                        SVG_LEFT + step * (double)k, svg_y(p->buckets[k].most, low, high),
                        SVG_LEFT + step * (double)(k + 1));
        for (size_t k = end; k-- > i;)
            text_printf(out, "L%.1f %.1fH%.1f", SVG_LEFT + step * (double)(k + 1),
                        svg_y(p->buckets[k].least, low, high), SVG_LEFT + step * (double)k);
        text_append(out, "Z\"/>\n<path class=\"mean\" d=\"");
        for (size_t k = i; k < end; k++)
            text_printf(out, "%s%.1f %.1fH%.1f", k == i ? "M" : "L",
                        SVG_LEFT + step * (double)k, svg_y(p->buckets[k].mean, low, high),
                        SVG_LEFT + step * (double)(k + 1));
        text_append(out, "\"/>\n");
        i = end;
    }
}

void plot_svg(const struct plot *p, struct text *out)
{
    double low, high;
    char label[48];
    scale(p, &low, &high);
    text_printf(out,
                "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %d %d\" "
                "font-family=\"sans-serif\" font-size=\"13\">\n<style>.range{fill:#bcd}"
                ".mean{fill:none;stroke:#135;stroke-width:1.2}"
                ".line{stroke:#999}.rating{stroke:#b30;stroke-dasharray:6 4}</style>\n",
                SVG_WIDTH + SVG_LEFT + 20, SVG_HEIGHT + SVG_TOP + 40);
    svg_text(out, SVG_LEFT, 22, "start", p->title);
    svg_series(p, low, high, out);
    for (int i = 0; i <= 4; i++) {
        double v = low + (high - low) * i / 4.0, y = svg_y(v, low, high);
        text_printf(out, "<line class=\"line\" x1=\"%d\" x2=\"%d\" y1=\"%.1f\" y2=\"%.1f\"/>\n",
                    SVG_LEFT - 5, i ? SVG_LEFT : SVG_LEFT + SVG_WIDTH, y, y);
        snprintf(label, sizeof label, "%.4g %s", v, p->unit);
        svg_text(out, SVG_LEFT - 8, y + 4, "end", label);
    }
    if (p->rating <= high) {
        double y = svg_y(p->rating, low, high);
        text_printf(out,
                    "<line class=\"rating\" x1=\"%d\" x2=\"%d\" y1=\"%.1f\" y2=\"%.1f\"/>\n",
                    SVG_LEFT, SVG_LEFT + SVG_WIDTH, y, y);
        snprintf(label, sizeof label, "rating %.4g %s", p->rating, p->unit);
        svg_text(out, SVG_LEFT + SVG_WIDTH, y - 5, "end", label);
    }
    svg_text(out, SVG_LEFT, SVG_TOP + SVG_HEIGHT + 22, "start", p->left);
    svg_text(out, SVG_LEFT + SVG_WIDTH, SVG_TOP + SVG_HEIGHT + 22, "end", p->right);
    text_append(out, "</svg>\n");
}
