"""Owns: what each alarm says, and what to do, in both languages.

Must not know: when an alarm is raised.
How it works: `{place}` is the name of the place for people, `{name}` that of the kit, sensor or line. Texts carry no
numbers: they say the same at every screen, in every message and after a restart. Short words, one idea a sentence.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.barn import Barn

LANGUAGES = ("en", "es")


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """What is the matter, and what a person shall do, by language."""

    say: Mapping[str, str]
    do: Mapping[str, str]


def _text(say_en: str, do_en: str, say_es: str, do_es: str) -> Text:
    return Text(say={"en": say_en, "es": say_es}, do={"en": do_en, "es": do_es})


TEXTS: Mapping[str, Text] = {
    "fire": _text(
        "Fire contact closed. Fans are stopped.",
        "Get people and horses out. Call the fire brigade.",
        "Contacto de incendio cerrado. Los ventiladores están parados.",
        "Saque a la gente y a los caballos. Llame a los bomberos.",
    ),
    "water-stuck": _text(
        "{place}: water runs although the misters are off.",
        "Close the hand valve. Mind the wet floor. Lead the horses off it.",
        "{place}: corre agua con los rociadores apagados.",
        "Cierre la llave de mano. Cuidado con el piso mojado. Saque de ahí a los caballos.",
    ),
    "saturated": _text(
        "{place}: too hot for a horse, and every fan is on.",
        "Water on the horses and do not stop. Shade. Call the veterinarian.",
        "{place}: demasiado calor para un caballo, y todos los ventiladores andan.",
        "Agua sobre los caballos, sin parar. Sombra. Llame al veterinario.",
    ),
    "level-stop": _text(
        "{place}: level 3, too hot for a horse.",
        "Stop all work. Water on the horses. See that every fan runs.",
        "{place}: nivel 3, demasiado calor para un caballo.",
        "Pare todo trabajo. Agua sobre los caballos. Mire que anden todos los ventiladores.",
    ),
    "level-plan": _text(
        "{place}: level 2, it is getting hot.",
        "Open doors and windows. Put water ready. Look at each horse.",
        "{place}: nivel 2, empieza el calor.",
        "Abra puertas y ventanas. Prepare agua. Mire a cada caballo.",
    ),
    "no-fan-runs": _text(
        "No fan runs although they are told to.",
        "Open all doors. Look at the power and the breakers. Take the horses out if you cannot mend it.",
        "No anda ningún ventilador, aunque tienen orden.",
        "Abra todas las puertas. Mire la luz y las llaves térmicas. Si no se arregla, saque a los caballos.",
    ),
    "uplink-lost": _text(
        "Alarms do not leave the barn now.",
        "Stay where you see the wall, or look every hour. Start the uplink of the gateway again.",
        "Las alarmas no salen del establo ahora.",
        "Quédese donde vea la pantalla, o mire cada hora. Arranque otra vez el enlace del aparato.",
    ),
    "broker-lost": _text(
        "The message broker does not answer.",
        "Look at the network and at the machine where the broker runs.",
        "El servidor de mensajes no contesta.",
        "Mire la red y la máquina donde anda el servidor.",
    ),
    "calls-lost": _text(
        "Messages about alarms reach nobody now.",
        "Look who is reachable otherwise: by voice, by telephone. Then look at the network of the gateway.",
        "Los mensajes de alarma no le llegan a nadie ahora.",
        "Vea a quién se puede avisar de otro modo: de viva voz, por teléfono. Luego mire la red del aparato.",
    ),
    "contact-lost": _text(
        "Messages about alarms do not reach everybody.",
        "See on the bell list whom, and why. Reach them by telephone. Mend the way and press try.",
        "Los mensajes de alarma no le llegan a alguien.",
        "Mire en los avisos a quién, y por qué. Avísele por teléfono. Arregle la vía y apriete probar.",
    ),
    "bus-lost": _text(
        "Line {name}: nothing on it answers.",
        "Look at the plug of this line at the gateway, then at its power, then along the cable.",
        "Línea {name}: nada contesta.",
        "Mire el enchufe de esta línea en el aparato, luego su corriente, luego el cable entero.",
    ),
    "relay-lost": _text(
        "Relay block {name} does not answer.",
        "See by eye which fans run. Look at the power and the plug of the block. Use the hand switches.",
        "El bloque de relés {name} no contesta.",
        "Mire con sus ojos qué ventiladores andan. Mire la corriente y el enchufe del bloque. Use las llaves de mano.",
    ),
    "place-blind": _text(
        "{place}: nobody knows the air here.",
        "Look at the horses. Then look at the sensor and its plug.",
        "{place}: no se sabe cómo está el aire.",
        "Mire a los caballos. Luego mire el sensor y su enchufe.",
    ),
    "kit-unreachable": _text(
        "{place}: {name} cannot be reached.",
        "See by eye whether it runs. Use its hand switch. Look at its plug.",
        "{place}: no se llega a {name}.",
        "Mire con sus ojos si anda. Use su llave de mano. Mire su enchufe.",
    ),
    "kit-not-running": _text(
        "{place}: {name} is told to run and does not.",
        "Go there. Look at its switch, plug and breaker. Keep your hands off: it may start at any time.",
        "{place}: {name} tiene orden de andar y no anda.",
        "Vaya. Mire su llave, enchufe y térmica. No meta la mano: puede arrancar en cualquier momento.",
    ),
    "contact-stuck": _text(
        "{place}: {name} runs although it is off.",
        "Switch it off at its own switch. Its contact is stuck: have it changed.",
        "{place}: {name} anda aunque está apagado.",
        "Apáguelo en su propia llave. El contacto está pegado: hágalo cambiar.",
    ),
    "kit-not-in-auto": _text(
        "{place}: {name} is taken at its own switch.",
        "If nobody needs it so, turn the switch back to auto.",
        "{place}: {name} está tomado en su propia llave.",
        "Si nadie lo necesita así, vuelva la llave a automático.",
    ),
    "sensor-lost": _text(
        "{place}: sensor {name} gives no reading.",
        "Look at its plug and cable.",
        "{place}: el sensor {name} no da lectura.",
        "Mire su enchufe y su cable.",
    ),
    "sensor-suspect": _text(
        "{place}: sensor {name} may be wrong.",
        "Look for sun, water, dust or a cobweb on it. Compare it with another.",
        "{place}: el sensor {name} puede estar mal.",
        "Mire si tiene sol, agua, polvo o telaraña. Compárelo con otro.",
    ),
    "supply-low": _text(
        "The power is weak: fans may turn too slowly.",
        "Feel the air at the horses. Call the electrician. Open doors.",
        "La corriente está baja: los ventiladores pueden girar muy despacio.",
        "Sienta el aire junto a los caballos. Llame al electricista. Abra puertas.",
    ),
    "history-lost": _text(
        "The history is not kept now.",
        "Cooling goes on. Look at the disk of the gateway.",
        "El historial no se guarda ahora.",
        "El enfriamiento sigue. Mire el disco del aparato.",
    ),
    "history-damaged": _text(
        "The history was damaged. A new one was begun.",
        "Cooling goes on. Keep the old file. Have the disk or the card of the gateway changed.",
        "El historial estaba dañado. Se empezó uno nuevo.",
        "El enfriamiento sigue. Guarde el archivo viejo. Haga cambiar el disco o la tarjeta del aparato.",
    ),
    "disk-low": _text(
        "There is hardly room left for the history.",
        "Cooling goes on. Make room on the disk of the gateway, or put in a larger one.",
        "Casi no queda lugar para el historial.",
        "El enfriamiento sigue. Haga lugar en el disco del aparato, o ponga uno más grande.",
    ),
    "store-lost": _text(
        "The data store takes nothing.",
        "Nothing is lost yet. Look at the store and at the key for it.",
        "El almacén de datos no recibe nada.",
        "Todavía no se pierde nada. Mire el almacén y su clave.",
    ),
    "clock-unset": _text(
        "The clock of the gateway is not set.",
        "Cooling goes on. Look at the network, or set the clock.",
        "El reloj del aparato no está en hora.",
        "El enfriamiento sigue. Mire la red, o ponga el reloj en hora.",
    ),
    "restarted": _text(
        "The gateway has started anew.",
        "Walk through the barn once: do the fans run, is no water on?",
        "El aparato arrancó de nuevo.",
        "Dé una vuelta por el establo: ¿andan los ventiladores, no corre agua?",
    ),
    "flush-due": _text(
        "{place}: the line of {name} stood idle.",
        "Run it by hand until the water is cool, with no horse and no person near.",
        "{place}: la línea de {name} estuvo parada.",
        "Hágala correr a mano hasta que salga fresca, sin caballos ni gente cerca.",
    ),
    "hand-ends": _text(
        "{place}: {name} goes back to automatic in a few minutes.",
        "Take it by hand anew if you still need it so.",
        "{place}: {name} vuelve a automático en unos minutos.",
        "Tómelo a mano otra vez si todavía lo necesita así.",
    ),
    "test-due": _text(
        "The weekly test is due.",
        "Press Try beside two people. See that it reaches them. Try the fail-safe. Record it.",
        "Toca la prueba de la semana.",
        "Apriete Probar junto a dos personas. Vea que les llegue. Pruebe el modo seguro. Anótelo.",
    ),
    "other": _text(
        "{name}: something is wrong.",
        "Go and look. The list of faults says more.",
        "{name}: algo anda mal.",
        "Vaya y mire. La lista de fallas dice más.",
    ),
}


def spoken(barn: Barn, rule: str, subject: str) -> Text:
    """The texts of one alarm, in the words of this barn. A rule that is no more says what the catch-all says."""
    text = TEXTS.get(rule, TEXTS["other"])

    def fill(words: Mapping[str, str]) -> dict[str, str]:
        return {
            language: words[language].format(place=_label(barn, subject, language), name=_name(barn, subject, language))
            for language in LANGUAGES
        }

    return Text(say=fill(text.say), do=fill(text.do))


def place_of(barn: Barn, subject: str) -> str:
    """The place that an alarm is about; empty when it is about none."""
    if any(place.name == subject for place in barn.places):
        return subject
    sensor = next((sensor.place for sensor in barn.sensors if sensor.name == subject), "")
    return sensor or next((kit.place for kit in barn.kit if kit.name == subject), "")


def _label(barn: Barn, subject: str, language: str) -> str:
    named = place_of(barn, subject)
    place = next((place for place in barn.places if place.name == named), None)
    return subject if place is None else place.label.get(language, place.name)


def _name(barn: Barn, subject: str, language: str) -> str:
    is_place = any(place.name == subject for place in barn.places)
    return _label(barn, subject, language) if is_place else subject
