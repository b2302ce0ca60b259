/* What a service call found, what is to be done then, and what an electrician brings. */
#include "call_texts.h"
#include "call_texts_fill.h"

#define LEAVE_EN                                                                               \
    " Leave it off. Keep away from anything hot, buzzing, smelling, sparking, damaged or "     \
    "wet. "                                                                                    \
    "Call a licensed electrician. Smoke, fire or a burning smell: leave and call the "         \
    "emergency "                                                                               \
    "number."
#define LEAVE_ES                                                                               \
    " Déjelo apagado. No se acerque a nada caliente, que zumbe, huela, eche chispas, esté "  \
    "dañado "                                                                                 \
    "o mojado. Llame a un electricista con licencia. Humo, fuego u olor a quemado: salga y "   \
    "llame "                                                                                   \
    "al número de emergencias."

static const struct {
    const char *const found[CALL_LANGUAGES], *const act[CALL_LANGUAGES];
} of[CALL_FINDINGS] = {
    [CALL_FOUND_NOTHING] = {{"", ""}, {"", ""}},
    [CALL_FOUND_RESTORED] = {{"Everything is back on breaker {breaker}, and it holds.",
                              "Todo está de nuevo en el interruptor {breaker}, y aguanta."},
                             {"Why it opened is not known for sure. If it opens again, leave "
                              "it off and call a licensed "
                              "electrician.",
                              "No se sabe con certeza por qué se abrió. Si se abre otra vez, "
                              "déjelo apagado y llame a un "
                              "electricista con licencia."}},
    [CALL_FOUND_OVERLOAD] =
        {{"Too much was on at once on breaker {breaker}. It holds without what is left off.",
          "Había demasiado encendido a la vez en el interruptor {breaker}. Aguanta sin lo que "
          "queda "
          "apagado."},
         {"Use what was too much on another circuit, but not by an extension cord, or at "
          "another "
          "time. If it opens again, leave it off and call a licensed electrician, who can "
          "also "
          "say whether a circuit of its own is due.",
          "Use lo que era demasiado en otro circuito, o a otra hora, y no con una extensión. "
          "Si se "
          "abre otra vez, déjelo apagado y llame a un electricista con licencia, que también "
          "dirá "
          "si hace falta un circuito propio."}},
    [CALL_FOUND_OPENED_OVERLOAD] =
        {{"Breaker {breaker} opened again under load: it carried up to {peak}.",
          "El interruptor {breaker} se abrió otra vez con carga: llevó hasta {peak}."},
         {"It has been reset once; a second reset is not for those who live here." LEAVE_EN,
          "Se cerró una vez; la segunda no es cosa de quien vive aquí." LEAVE_ES}},
    [CALL_FOUND_APPLIANCE] = {{"{load} opened breaker {breaker} at once: a short circuit or "
                               "ground fault in it is likely.",
                               "{load} abrió el interruptor {breaker} al instante: es probable "
                               "un cortocircuito o una "
                               "falla a tierra en ella."},
                              {"Unplug it, and nobody uses it until it has been repaired or "
                               "replaced; its cord and the "
                               "receptacle are looked at too." LEAVE_EN,
                               "Desenchúfela, y que nadie la use hasta que esté reparada o "
                               "cambiada; también se revisan "
                               "su cable y el tomacorriente." LEAVE_ES}},
    [CALL_FOUND_WIRING] = {{"Breaker {breaker} opens although nothing is connected: the "
                            "fault is in the wiring, in what is fastened in place, "
                            "or in the breaker itself.",
                            "El interruptor {breaker} se abre sin nada conectado: el cableado, "
                            "lo que está fijo en él, o "
                            "el propio interruptor."},
                           {"One failed reset is enough." LEAVE_EN,
                            "Un rearme fallido basta." LEAVE_ES}},
    [CALL_FOUND_WORN] =
        {{"Breaker {breaker} opens at a current that it must carry: it may be worn.",
          "El interruptor {breaker} se abre con una corriente que debe llevar: puede estar "
          "gastado."},
         {"It has to be tested and replaced." LEAVE_EN,
          "Hay que probarlo y cambiarlo." LEAVE_ES}},
    [CALL_FOUND_FAULT] =
        {{"A short circuit or a ground fault on breaker {breaker} is likely.",
          "Es probable un cortocircuito o una falla a tierra en el interruptor {breaker}."},
         {"Do not reset it." LEAVE_EN, "No lo rearme." LEAVE_ES}},
    [CALL_FOUND_FEEDER] =
        {{"The breaker before the dark circuits is the one that opened: {breaker}.",
          "El que se abrió es el interruptor anterior a los circuitos sin luz: {breaker}."},
         {"It feeds a panel and is not reset by whoever lives here. Switch off the larger "
          "loads "
          "behind it." LEAVE_EN,
          "Alimenta un tablero y no lo rearma quien vive aquí. Apague las cargas grandes que "
          "cuelgan de él." LEAVE_ES}},
    [CALL_FOUND_SUPPLY] =
        {{"The utility's supply is out: breaker {breaker} has not opened.",
          "Falta el suministro de la compañía: el interruptor {breaker} no se ha abierto."},
         {"There is nothing to do at the panel. Turn off stoves, irons and heaters, keep "
          "freezers "
          "shut, and ask the utility.",
          "En el tablero no hay nada que hacer. Apague cocinas, planchas y calefactores, no "
          "abra los "
          "congeladores y pregunte a la compañía."}},
    [CALL_FOUND_BY_HAND] = {{"Somebody may be working on breaker {breaker}.",
                             "Quizá alguien trabaja en el interruptor {breaker}."},
                            {"Nobody moves the handle until that person says so.",
                             "Nadie mueve la palanca hasta que esa persona lo diga."}},
    [CALL_FOUND_DEAD_THOUGH_ON] =
        {{"The handle of breaker {breaker} stands at ON, and the meter sees no current.",
          "La palanca del interruptor {breaker} está en ON, y el medidor no ve corriente."},
         {"Look for a receptacle with TEST and RESET (GFCI) that has opened, also in other "
          "rooms: "
          "press RESET once, only where it is dry. If it does not stay, or all is dead still, "
          "call a "
          "licensed electrician: a connection may be open. Do not move the breaker.",
          "Busque un tomacorriente con TEST y RESET (GFCI) que se haya abierto, también en "
          "otras "
          "habitaciones: pulse RESET una vez, solo donde esté seco. Si no se queda, o todo "
          "sigue sin "
          "corriente, llame a un electricista con licencia: puede haber una conexión abierta. "
          "No "
          "mueva el interruptor."}},
    [CALL_FOUND_NOT_FOUND] =
        {{"Breaker {breaker} was not found.", "El interruptor {breaker} no se encontró."},
         {"Move no handle. Everything on the dark circuit stays unplugged. Call a licensed "
          "electrician; the panel needs a directory.",
          "No mueva ninguna palanca. Todo lo del circuito sin luz queda desenchufado. Llame a "
          "un "
          "electricista con licencia; al tablero le falta un directorio."}},
    [CALL_FOUND_NEUTRAL] =
        {{"An open neutral is suspected: breaker {breaker} must not be put on.",
          "Se sospecha un neutro abierto: el interruptor {breaker} no debe cerrarse."},
         {"Do not reset it. Voltages may be far too high: unplug what is sensitive, and call "
          "the "
          "utility and a licensed electrician now." LEAVE_EN,
          "No lo rearme. Las tensiones pueden ser demasiado altas: desenchufe lo delicado y "
          "llame ya "
          "a la compañía y a un electricista con licencia." LEAVE_ES}},
    [CALL_FOUND_DANGER] =
        {{"Stopped: a sign of danger at breaker {breaker} or on its circuit.",
          "Alto: una señal de peligro en el interruptor {breaker} o en su circuito."},
         {"Touch nothing." LEAVE_EN, "No toque nada." LEAVE_ES}},
    [CALL_FOUND_MAY_NOT] =
        {{"Nobody was there who may put breaker {breaker} on again.",
          "No había nadie que pudiera volver a poner en ON el interruptor {breaker}."},
         {"Everything on it stays unplugged or off." LEAVE_EN,
          "Todo lo que cuelga de él queda desenchufado o apagado." LEAVE_ES}},
    [CALL_FOUND_STOPPED_BEFORE] = {{"An earlier call for breaker {breaker} ended with a stop, "
                                    "and nobody has seen to it since.",
                                    "Un servicio anterior del interruptor {breaker} terminó "
                                    "con un alto, y nadie lo ha atendido "
                                    "desde entonces."},
                                   {"It is not tried again." LEAVE_EN,
                                    "No se intenta de nuevo." LEAVE_ES}},
    [CALL_FOUND_LEFT] =
        {{"The call for breaker {breaker} was ended before anything was found.",
          "El servicio del interruptor {breaker} se terminó sin hallar nada."},
         {"It stays as it is. Begin again when somebody is there who may, or call a licensed "
          "electrician.",
          "Queda como está. Empiece de nuevo cuando haya alguien que pueda, o llame a un "
          "electricista "
          "con licencia."}},
};

void call_texts_found(const struct site *s, const struct phrases *p, const struct call *c,
                      enum call_language l, struct text *found, struct text *act)
{
    call_texts_fill(s, p, c, l, of[c->finding].found[l], found);
    call_texts_fill(s, p, c, l, of[c->finding].act[l], act);
}

const char *const *call_texts_bring(enum call_finding f, enum call_language l)
{
    static const char *const nothing[] = {NULL};
    static const char *const of_kind[][CALL_LANGUAGES][CALL_MOST_BRING] = {
        {{"insulation tester, clamp meter, voltage tester",
          "breaker of the same rating, listed for this panel",
          "receptacle, switch and wire connectors for a repair",
          "the record of this call and of the trip"},
         {"medidor de aislamiento, pinza amperimétrica, probador de tensión",
          "interruptor de la misma capacidad, aprobado para este tablero",
          "tomacorriente, interruptor y conectores para una reparación",
          "el registro de este servicio y del disparo"}},
        {{"breaker of the same rating, listed for this panel",
          "torque screwdriver, clamp meter", "infrared thermometer for the terminals",
          "the record of this call and of the trip"},
         {"interruptor de la misma capacidad, aprobado para este tablero",
          "destornillador dinamométrico, pinza amperimétrica",
          "termómetro infrarrojo para los bornes",
          "el registro de este servicio y del disparo"}},
        {{"load list of this sheet and the circuit's history",
          "material for a circuit of its own, if there is room in the panel", "clamp meter"},
         {"lista de cargas de esta hoja e historia del circuito",
          "material para un circuito propio, si hay sitio en el tablero",
          "pinza amperimétrica"}},
        {{"voltage tester, circuit tracer", "GFCI receptacle", "a blank panel directory"},
         {"probador de tensión, rastreador de circuitos", "tomacorriente GFCI",
          "un directorio de tablero en blanco"}},
    };
    switch (f) {
    case CALL_FOUND_APPLIANCE:
    case CALL_FOUND_WIRING:
    case CALL_FOUND_FAULT:
    case CALL_FOUND_DANGER:
    case CALL_FOUND_STOPPED_BEFORE:
    case CALL_FOUND_NEUTRAL: return of_kind[0][l];
    case CALL_FOUND_WORN: return of_kind[1][l];
    case CALL_FOUND_OPENED_OVERLOAD:
    case CALL_FOUND_OVERLOAD:
    case CALL_FOUND_FEEDER: return of_kind[2][l];
    case CALL_FOUND_DEAD_THOUGH_ON:
    case CALL_FOUND_NOT_FOUND:
    case CALL_FOUND_MAY_NOT: return of_kind[3][l];
    case CALL_FOUND_NOTHING:
    case CALL_FOUND_RESTORED:
    case CALL_FOUND_SUPPLY:
    case CALL_FOUND_BY_HAND:
    case CALL_FOUND_LEFT: break;
    }
    return nothing;
}
