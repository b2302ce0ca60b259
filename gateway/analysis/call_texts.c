#include "call_texts.h"
#include "call_texts_fill.h"

#include <math.h>
#include <string.h>

#define LANGUAGES(en, es)                                                                      \
    {                                                                                          \
        [CALL_ENGLISH] = (en), [CALL_SPANISH] = (es)                                           \
    }

typedef const char *const in_languages[CALL_LANGUAGES];

static const char *const codes[CALL_LANGUAGES] = {"en", "es"};

bool call_language_find(const char *code, enum call_language *out)
{
    for (int i = 0; i < CALL_LANGUAGES; i++)
        if (strcmp(code, codes[i]) == 0) {
            *out = (enum call_language)i;
            return true;
        }
    *out = CALL_ENGLISH;
    return false;
}

const char *call_language_code(enum call_language l)
{
    return codes[l];
}

/* ---- who may ---- */

const char *call_who_name(enum call_who w)
{
    switch (w) {
    case CALL_ANYBODY: return "anybody";
    case CALL_ADULT: return "adult";
    case CALL_ELECTRICIAN: break;
    }
    return "electrician";
}

enum call_who call_texts_who(const struct site *s, const struct call *c)
{
    switch (c->stage) {
    case CALL_CAUTIONS:
    case CALL_LOADS_OFF:
    case CALL_BY_HAND:
    case CALL_NEXT:
    case CALL_WATCH:
    case CALL_TOO_MUCH:
    case CALL_FELL: return CALL_ANYBODY;
    case CALL_FIND:
    case CALL_OFF:
    case CALL_ON:
    case CALL_WRONG_BREAKER:
        return c->as == CALL_AS_ELECTRICIAN || s->circuits[c->circuit].feeds_panel >= 0
                   ? CALL_ELECTRICIAN
                   : CALL_ADULT;
    case CALL_ENDED: return call_finding_stops(c->finding) ? CALL_ELECTRICIAN : CALL_ANYBODY;
    }
    return CALL_ELECTRICIAN;
}

const char *call_texts_who_may(enum call_who w, enum call_language l)
{
    static in_languages of[] = {
        [CALL_ANYBODY] = LANGUAGES("Anybody in the home may do this.",
                                   "Esto lo puede hacer cualquiera en la vivienda."),
        [CALL_ADULT] =
            LANGUAGES("Only an adult who may operate this breaker in this home.",
                      "Solo un adulto que pueda accionar este interruptor en esta vivienda."),
        [CALL_ELECTRICIAN] =
            LANGUAGES("Only a licensed electrician.", "Solo un electricista con licencia."),
    };
    return of[w][l];
}

/* ---- the cautions ---- */

const char *const *call_texts_cautions(enum call_language l)
{
    static const char *const of[CALL_LANGUAGES][CALL_MOST_CAUTIONS] = {
        {
            "Anything hot, buzzing, smelling, sparking, damaged or wet, or somebody felt a "
            "shock: "
            "touch nothing, keep away, and call a licensed electrician. Smoke, fire or a "
            "burning "
            "smell: leave and call the emergency number.",
            "A breaker opens for a reason. It is put on again once only, with everything on it "
            "unplugged or off. If it opens with nothing connected, one try is enough: leave it "
            "off and call a licensed electrician.",
            "Open only the panel's door, never its cover. Dry hands, dry floor, good light. "
            "Never "
            "hold a handle on, and never put in a larger breaker.",
            "Only an adult who may operate this breaker in this home does so. A tenant who was "
            "told only to unplug and to call does only that. In a workplace it must be known "
            "to "
            "be safe first (29 CFR 1910.334(b)(2)).",
            "foretrip only advises: it switches nothing and is no protective device. Local "
            "codes "
            "and a licensed electrician's word come first.",
        },
        {
            "Si algo está caliente, zumba, huele, echa chispas, está dañado o mojado, o "
            "alguien "
            "sintió una descarga: no toque nada, no se acerque y llame a un electricista con "
            "licencia. Humo, fuego u olor a quemado: salga y llame al número de emergencias.",
            "Un interruptor se abre por un motivo. Se vuelve a poner en ON una sola vez, con "
            "todo lo que cuelga de él desenchufado o apagado. Si se abre sin nada conectado, "
            "un "
            "intento "
            "basta: déjelo apagado y llame a un electricista con licencia.",
            "Abra solo la puerta del tablero, nunca su tapa. Manos secas, suelo seco, buena "
            "luz. "
            "Nunca sujete una palanca ni ponga un interruptor mayor.",
            "Solo lo hace un adulto que pueda accionar este interruptor en esta vivienda. Un "
            "inquilino al que se dijo que solo desenchufe y llame hace solo eso. En un lugar "
            "de "
            "trabajo debe saberse antes que es seguro (29 CFR 1910.334(b)(2)).",
            "foretrip solo aconseja: no conmuta nada y no es un dispositivo de protección. "
            "Primero "
            "valen los códigos locales y la palabra de un electricista con licencia.",
        },
    };
    return of[l];
}

/* ---- blanks ---- */

struct blanks {
    const struct site *site;
    const struct call *call;
    enum call_language language;
    const struct phrases_language *names; /* of appliances; NULL: by their keys */
};

static void fill_circuit(const struct blanks *b, int circuit, struct text *out)
{
    const struct site_circuit *k = &b->site->circuits[circuit];
    const char *panel = b->site->panels[k->panel].name;
    static in_languages in = LANGUAGES("in", "en");
    text_printf(out, "%s (%s) %s %s", k->position, k->name, in[b->language], panel);
}

static void fill_appliance(const struct blanks *b, const char *appliance, struct text *out)
{
    static in_languages unknown = LANGUAGES("a load", "una carga");
    static in_languages standing =
        LANGUAGES("what is always on", "lo que siempre está encendido");
    if (appliance[0] == '\0' || strcmp(appliance, "unknown") == 0)
        text_append(out, unknown[b->language]);
    else if (strcmp(appliance, "standing_load") == 0)
        text_append(out, standing[b->language]);
    else
        phrases_appliance(b->names, appliance, out);
}

static void fill_before(const struct blanks *b, struct text *out)
{
    static in_languages unknown = LANGUAGES("that is not known", "no se sabe");
    if (b->call->before_count == 0)
        text_append(out, unknown[b->language]);
    for (size_t i = 0; i < b->call->before_count; i++) {
        text_append(out, i ? ", " : "");
        fill_appliance(b, b->call->before[i].appliance, out);
        text_printf(out, " %.1f A", b->call->before[i].amps);
    }
}

static void fill_load(const struct blanks *b, struct text *out)
{
    const struct call *c = b->call;
    const struct call_load *l = c->load_count ? &c->loads[c->load_count - 1] : NULL;
    if (l && l->name[0])
        text_append(out, l->name);
    else
        fill_appliance(b, l ? l->appliance : "", out);
}

static void fill_one(const struct blanks *b, const char *word, size_t n, struct text *out)
{
    const struct call *c = b->call;
    const struct site_circuit *k = &b->site->circuits[c->circuit];
    if (n == 7 && strncmp(word, "breaker", n) == 0)
        fill_circuit(b, c->circuit, out);
    else if (n == 5 && strncmp(word, "other", n) == 0 && c->other >= 0)
        fill_circuit(b, c->other, out);
    else if (n == 8 && strncmp(word, "position", n) == 0)
        text_append(out, k->position);
    else if (n == 4 && strncmp(word, "name", n) == 0)
        text_append(out, k->name);
    else if (n == 5 && strncmp(word, "panel", n) == 0)
        text_append(out, b->site->panels[k->panel].name);
    else if (n == 6 && strncmp(word, "rating", n) == 0)
        text_printf(out, "%g A", k->breaker_amps);
    else if (n == 6 && strncmp(word, "before", n) == 0)
        fill_before(b, out);
    else if (n == 4 && strncmp(word, "load", n) == 0)
        fill_load(b, out);
    else if (n == 4 && strncmp(word, "peak", n) == 0)
        text_printf(out, "%.1f A", isnan(c->peak_amps) ? 0.0 : c->peak_amps);
}

void call_texts_fill(const struct site *s, const struct phrases *p, const struct call *c,
                     enum call_language l, const char *text, struct text *out)
{
    const struct blanks b = {s, c, l, p ? phrases_find(p, call_language_code(l)) : NULL};
    for (const char *end; *text; text = end + (*end == '}')) {
        const char *open = strchr(text, '{');
        if (!open) {
            text_append(out, text);
            return;
        }
        text_append_bytes(out, text, (size_t)(open - text));
        end = open + 1 + strcspn(open + 1, "}");
        fill_one(&b, open + 1, (size_t)(end - open - 1), out);
    }
}

/* ---- the questions ---- */

static const struct {
    in_languages title, sentences;
} asked[CALL_STAGES] = {
    [CALL_CAUTIONS] =
        {
            LANGUAGES("Before anybody touches the panel",
                      "Antes de que alguien toque el tablero"),
            LANGUAGES(
                "Breaker {breaker}. Read this first; look, listen and smell. Does any of it "
                "apply?",
                "Interruptor {breaker}. Lea esto primero; mire, escuche y huela. ¿Se da algo "
                "de ello?"),
        },
    [CALL_FIND] =
        {
            LANGUAGES("Find breaker {position}", "Busque el interruptor {position}"),
            LANGUAGES(
                "It is in {panel}, at position {position}: {rating}, \"{name}\". Open only "
                "the door. The handle of a tripped breaker usually stands between ON and OFF "
                "and feels loose; on some it goes to OFF and a mark shows. How does it "
                "stand? Do not move it yet.",
                "Está en {panel}, en la posición {position}: {rating}, «{name}». Abra solo la "
                "puerta. La palanca de un interruptor disparado suele quedar entre ON y OFF, "
                "suelta; en algunos va a OFF y aparece una marca. ¿Cómo está? No la mueva "
                "todavía."),
        },
    [CALL_BY_HAND] =
        {
            LANGUAGES("Is anybody working on it?", "¿Trabaja alguien en él?"),
            LANGUAGES(
                "A handle at OFF was put there by somebody, who may be working on this "
                "circuit. Ask everybody in the building. A lock or a tag on it stays where "
                "it is.",
                "Una palanca en OFF la puso alguien, que quizá trabaja en este circuito. "
                "Pregunte a todos en el edificio. Un candado o una etiqueta se quedan donde "
                "están."),
        },
    [CALL_LOADS_OFF] =
        {
            LANGUAGES("Everything off", "Todo apagado"),
            LANGUAGES(
                "Unplug everything on this circuit. What is fastened in place is switched "
                "off at its own switch. It may reach into other rooms: look for all that is "
                "dead. It carried: {before}.",
                "Desenchufe todo lo de este circuito. Lo que está fijo se apaga en su propio "
                "interruptor. Puede llegar a otras habitaciones: busque todo lo que no "
                "funciona. Llevaba: {before}."),
        },
    [CALL_OFF] =
        {
            LANGUAGES("Handle fully to OFF", "La palanca del todo a OFF"),
            LANGUAGES(
                "Breaker {breaker}. Read its number once more. Stand to one side of the panel. "
                "Push the handle firmly, all the way to OFF. The meter watches the other "
                "circuits meanwhile.",
                "Interruptor {breaker}. Lea otra vez su número. Póngase a un lado del tablero. "
                "Empuje la palanca con firmeza, del todo hasta OFF. El medidor vigila mientras "
                "los demás circuitos."),
        },
    [CALL_ON] =
        {
            LANGUAGES("Now fully to ON, once", "Ahora del todo a ON, una vez"),
            LANGUAGES(
                "Breaker {breaker}. Stand to one side of the panel and turn your face away. "
                "Push the handle to ON and let go. Never hold it. Does it stay?",
                "Interruptor {breaker}. Póngase a un lado del tablero y aparte la cara. Empuje "
                "la palanca a ON y suéltela. Nunca la sujete. ¿Se queda?"),
        },
    [CALL_WRONG_BREAKER] =
        {
            LANGUAGES("Another circuit went dead", "Otro circuito quedó sin corriente"),
            LANGUAGES(
                "Just now {other} lost its current. If you moved its handle: see that "
                "nothing on it can hurt anybody when it starts again, then put it back to "
                "ON. The one to move is {breaker}.",
                "Ahora mismo {other} perdió la corriente. Si movió su palanca: vea que nada "
                "de lo que cuelga de él pueda herir a alguien al arrancar, y vuelva a "
                "ponerla en ON. La que se mueve es {breaker}."),
        },
    [CALL_NEXT] =
        {
            LANGUAGES("It holds: now one load", "Aguanta: ahora una carga"),
            LANGUAGES(
                "Plug in and switch on one load, what matters most first: a refrigerator or "
                "freezer, medical equipment. The meter sees it come.",
                "Enchufe y encienda una carga, primero lo que más importa: un refrigerador o "
                "congelador, equipo médico. El medidor la ve llegar."),
        },
    [CALL_WATCH] =
        {
            LANGUAGES("Watching {load}", "Se observa {load}"),
            LANGUAGES(
                "Does it run as it should, without heat, smell or noise? Give it the time "
                "that it needs. If the breaker opens, say so.",
                "¿Funciona como debe, sin calor, olor ni ruido? Dele el tiempo que necesita. "
                "Si el interruptor se abre, dígalo."),
        },
    [CALL_TOO_MUCH] =
        {
            LANGUAGES("Too much for this breaker", "Demasiado para este interruptor"),
            LANGUAGES(
                "It carries more than its {rating}. Switch {load} off again, at the "
                "appliance, not at the panel.",
                "Lleva más de sus {rating}. Apague de nuevo {load}, en el aparato, no en el "
                "tablero."),
        },
    [CALL_FELL] =
        {
            LANGUAGES("The current has gone", "La corriente se fue"),
            LANGUAGES(
                "Look at the handle of breaker {breaker}, and do not touch it. Has it opened?",
                "Mire la palanca del interruptor {breaker}, y no la toque. ¿Se ha abierto?"),
        },
    [CALL_ENDED] =
        {
            LANGUAGES("The call has ended", "El servicio ha terminado"),
            LANGUAGES("Breaker {breaker}.", "Interruptor {breaker}."),
        },
};

void call_texts_asked(const struct site *s, const struct phrases *p, const struct call *c,
                      enum call_language l, struct text *title, struct text *sentences)
{
    static in_languages feeder =
        LANGUAGES(" It feeds another panel: only a licensed electrician resets it.",
                  " Alimenta otro tablero: solo un electricista con licencia lo rearma.");
    call_texts_fill(s, p, c, l, asked[c->stage].title[l], title);
    call_texts_fill(s, p, c, l, asked[c->stage].sentences[l], sentences);
    if (s->circuits[c->circuit].feeds_panel >= 0 && c->stage <= CALL_LOADS_OFF)
        text_append(sentences, feeder[l]);
}

/* ---- answers, dangers, steps ---- */

const char *call_texts_answer(enum call_stage s, enum call_answer a, enum call_language l)
{
    static in_languages of[CALL_ANSWERS] = {
        [CALL_SAID_NOTHING] = LANGUAGES("", ""),
        [CALL_SAID_BEGIN] = LANGUAGES("Begin", "Empezar"),
        [CALL_SAID_CLEAR] =
            LANGUAGES("Read. None of it applies, and I may operate this breaker",
                      "Leído. Nada se da, y puedo accionar este interruptor"),
        [CALL_SAID_MAY_NOT] = LANGUAGES("I may not operate a breaker here",
                                        "No puedo accionar interruptores aquí"),
        [CALL_SAID_TRIPPED] =
            LANGUAGES("Between ON and OFF, or loose", "Entre ON y OFF, o suelta"),
        [CALL_SAID_AT_OFF] = LANGUAGES("Fully at OFF", "Del todo en OFF"),
        [CALL_SAID_AT_ON] = LANGUAGES("Fully at ON", "Del todo en ON"),
        [CALL_SAID_NOT_FOUND] = LANGUAGES("I cannot find it", "No lo encuentro"),
        [CALL_SAID_NOBODY] = LANGUAGES("I asked: nobody is, and there is no lock or tag",
                                       "Pregunté: nadie, y no tiene etiqueta ni candado"),
        [CALL_SAID_SOMEBODY] =
            LANGUAGES("Somebody is, or I am not sure", "Alguien sí, o no estoy seguro"),
        [CALL_SAID_LOADS_OFF] =
            LANGUAGES("Everything is unplugged or off", "Todo está desenchufado o apagado"),
        [CALL_SAID_IS_OFF] = LANGUAGES("It is fully at OFF", "Está del todo en OFF"),
        [CALL_SAID_HOLDS] = LANGUAGES("It stays at ON", "Se queda en ON"),
        [CALL_SAID_OPENED] = LANGUAGES("The breaker opened", "El interruptor se abrió"),
        [CALL_SAID_CONNECTED] = LANGUAGES("One load is on", "Hay una carga encendida"),
        [CALL_SAID_RUNS] = LANGUAGES("It runs as it should", "Funciona como debe"),
        [CALL_SAID_SWITCHED_OFF] = LANGUAGES("I switched it off again", "La apagué de nuevo"),
        [CALL_SAID_ALL_BACK] =
            LANGUAGES("Nothing is left to connect", "No queda nada por conectar"),
        [CALL_SAID_PUT_BACK] = LANGUAGES("I put it back to ON", "La volví a poner en ON"),
        [CALL_SAID_NOT_ME] = LANGUAGES("I did not touch it", "No la toqué"),
        [CALL_SAID_DANGER] = LANGUAGES("Stop", "Alto"),
        [CALL_SAID_END] =
            LANGUAGES("End here, leave it as it is", "Terminar aquí, dejarlo así"),
        [CALL_SAID_TAKE_OVER] = LANGUAGES("Take over", "Tomar el servicio"),
        [CALL_SAID_NOTE] = LANGUAGES("Note", "Nota"),
    };
    static in_languages on_opened =
        LANGUAGES("It went off again by itself", "Se volvió a abrir sola");
    static in_languages fell_off = LANGUAGES("No, it stands at ON: the load is off",
                                             "No, está en ON: la carga está apagada");
    if (a == CALL_SAID_OPENED && s == CALL_ON)
        return on_opened[l];
    if (a == CALL_SAID_SWITCHED_OFF && s == CALL_FELL)
        return fell_off[l];
    return of[a][l];
}

const char *call_texts_danger(enum call_danger d, enum call_language l)
{
    static in_languages of[CALL_DANGERS] = {
        [CALL_DANGER_NONE] = LANGUAGES("", ""),
        [CALL_DANGER_HEAT] = LANGUAGES("Heat", "Calor"),
        [CALL_DANGER_SMELL] = LANGUAGES("Smell or smoke", "Olor o humo"),
        [CALL_DANGER_BUZZING] = LANGUAGES("Buzzing", "Zumbido"),
        [CALL_DANGER_SPARKS] = LANGUAGES("Sparks", "Chispas"),
        [CALL_DANGER_WATER] = LANGUAGES("Water", "Agua"),
        [CALL_DANGER_DAMAGE] = LANGUAGES("Damage", "Daños"),
        [CALL_DANGER_SHOCK] = LANGUAGES("A shock", "Una descarga"),
    };
    return of[d][l];
}

const char *call_texts_said(enum call_answer a, enum call_language l)
{
    static in_languages of[CALL_ANSWERS] = {
        [CALL_SAID_NOTHING] = LANGUAGES("", ""),
        [CALL_SAID_BEGIN] = LANGUAGES("began the call", "empezó el servicio"),
        [CALL_SAID_CLEAR] = LANGUAGES("read the cautions: none applies",
                                      "leyó las advertencias: ninguna se da"),
        [CALL_SAID_MAY_NOT] =
            LANGUAGES("may not operate the breaker", "no puede accionar el interruptor"),
        [CALL_SAID_TRIPPED] = LANGUAGES("handle between ON and OFF", "palanca entre ON y OFF"),
        [CALL_SAID_AT_OFF] = LANGUAGES("handle at OFF", "palanca en OFF"),
        [CALL_SAID_AT_ON] = LANGUAGES("handle at ON", "palanca en ON"),
        [CALL_SAID_NOT_FOUND] =
            LANGUAGES("did not find the breaker", "no encontró el interruptor"),
        [CALL_SAID_NOBODY] = LANGUAGES("nobody works on it", "nadie trabaja en él"),
        [CALL_SAID_SOMEBODY] =
            LANGUAGES("somebody may work on it", "quizá alguien trabaja en él"),
        [CALL_SAID_LOADS_OFF] =
            LANGUAGES("everything unplugged or off", "todo desenchufado o apagado"),
        [CALL_SAID_IS_OFF] = LANGUAGES("handle put fully to OFF", "palanca puesta en OFF"),
        [CALL_SAID_HOLDS] = LANGUAGES("put to ON, it stays", "puesta en ON, se queda"),
        [CALL_SAID_OPENED] = LANGUAGES("the breaker opened", "el interruptor se abrió"),
        [CALL_SAID_CONNECTED] = LANGUAGES("connected", "conectó"),
        [CALL_SAID_RUNS] = LANGUAGES("it runs as it should", "funciona como debe"),
        [CALL_SAID_SWITCHED_OFF] = LANGUAGES("switched it off again", "la apagó de nuevo"),
        [CALL_SAID_ALL_BACK] =
            LANGUAGES("nothing is left to connect", "no queda nada por conectar"),
        [CALL_SAID_PUT_BACK] =
            LANGUAGES("put the other breaker back", "volvió a poner el otro interruptor"),
        [CALL_SAID_NOT_ME] =
            LANGUAGES("did not touch the other breaker", "no tocó el otro interruptor"),
        [CALL_SAID_DANGER] = LANGUAGES("stop", "alto"),
        [CALL_SAID_END] = LANGUAGES("ended the call", "terminó el servicio"),
        [CALL_SAID_TAKE_OVER] = LANGUAGES("took the call over", "tomó el servicio"),
        [CALL_SAID_NOTE] = LANGUAGES("note", "nota"),
    };
    return of[a][l];
}

const char *call_texts_saw(enum call_sight s, enum call_language l)
{
    static in_languages of[CALL_SIGHTS] = {
        [CALL_SAW_NOTHING] = LANGUAGES("", ""),
        [CALL_SAW_DEAD] = LANGUAGES("no current, the loads had ended",
                                    "sin corriente, las cargas habían terminado"),
        [CALL_SAW_CURRENT] =
            LANGUAGES("it carries current: closed", "lleva corriente: está cerrado"),
        [CALL_SAW_LOAD] = LANGUAGES("a load began", "empezó una carga"),
        [CALL_SAW_TOO_MUCH] = LANGUAGES("more than the rating", "más que su capacidad"),
        [CALL_SAW_FALL] = LANGUAGES("the current has gone", "la corriente se fue"),
        [CALL_SAW_OPENED] = LANGUAGES("the breaker opened", "el interruptor se abrió"),
        [CALL_SAW_OTHER_DEAD] =
            LANGUAGES("another circuit went dead", "otro circuito quedó sin corriente"),
        [CALL_SAW_OTHER_BACK] =
            LANGUAGES("the other circuit is back", "el otro circuito volvió"),
        [CALL_SAW_UPSTREAM] = LANGUAGES("a breaker before it, or the supply, is out",
                                        "falta un interruptor anterior o el suministro"),
        [CALL_SAW_NOBODY] = LANGUAGES("nobody answers", "nadie contesta"),
        [CALL_SAW_PAUSE] =
            LANGUAGES("long pause: cautions anew", "pausa larga: advertencias de nuevo"),
        [CALL_SAW_BLIND] =
            LANGUAGES("no readings: the meter is silent", "sin lecturas: el medidor calla"),
    };
    return of[s][l];
}

const char *call_texts_outcome(enum call_outcome o, enum call_language l)
{
    static in_languages of[CALL_OUTCOMES] = {
        [CALL_LOAD_WATCHED] = LANGUAGES("being watched", "se observa"),
        [CALL_LOAD_HELD] = LANGUAGES("runs", "funciona"),
        [CALL_LOAD_SILENT] = LANGUAGES("no current seen", "no se vio corriente"),
        [CALL_LOAD_LEFT_OFF] = LANGUAGES("switched off again", "apagada de nuevo"),
        [CALL_LOAD_TOO_MUCH] = LANGUAGES("too much: left off", "demasiado: queda apagada"),
        [CALL_LOAD_OPENED] = LANGUAGES("opened the breaker", "abrió el interruptor"),
    };
    return of[o][l];
}
