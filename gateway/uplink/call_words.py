"""Owns: the words of messages to contacts that are not the alarm's own, in both languages.

Must not know: alarms, times, how a message is put together.
How it works: one frozen value for each language. Words are those of the bell list, so that a message and a page say the
same. Short sentences: they are read on a small screen, in the dark, by somebody who was asleep.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.model import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class CallWords:
    """`{n}`, `{name}`, `{time}`, `{worst}`, `{barn}` are filled in."""

    priority: Mapping[Priority, str]
    many: str
    since: str
    taken: str
    nobody: str
    again: str
    over: str
    over_since: str
    do: str
    more: str
    where: str
    list_: str
    take: str
    trial: str
    trial_text: str
    emulated: str
    signed: str
    clock: str
    core_say: str
    core_do: str
    core_over: str


EN = CallWords(
    priority={Priority.NOW: "NOW", Priority.SOON: "SOON", Priority.WHEN_YOU_CAN: "WHEN YOU CAN"},
    many="{n} alarms, the worst: {worst}",
    since="Since {time}.",
    taken="{name} has it.",
    nobody="Nobody has it yet.",
    again="Called {n} times.",
    over="OVER",
    over_since="Over since {time}.",
    do="Do: {do}",
    more="And {n} more: see the bell list.",
    where="Bell list: {where}",
    list_="More stands on the bell list in the barn.",
    take='Press "I have it" there, and nobody else is called.',
    trial="TRY, no alarm: {barn}",
    trial_text="This is a try. Nothing is the matter. If you read this, messages reach {name} by this way.",
    emulated="EMULATED BARN, no horse: ",
    signed="Sent by the gateway of {barn}. Look at the horses yourself: it sees only what its sensors see.",
    clock="The gateway's clock is not set: times are left out.",
    core_say="The gateway's core does not answer. Nobody steers the fans and watches the heat.",
    core_do="Look at the fans and the horses. Use the hand switches. See whether the gateway has power.",
    core_over="The gateway's core answers again.",
)
ES = CallWords(
    priority={Priority.NOW: "AHORA", Priority.SOON: "PRONTO", Priority.WHEN_YOU_CAN: "CUANDO PUEDA"},
    many="{n} avisos, el peor: {worst}",
    since="Desde {time}.",
    taken="Lo atiende {name}.",
    nobody="Todavía no lo atiende nadie.",
    again="Llamó {n} veces.",
    over="YA PASÓ",
    over_since="Pasó a las {time}.",
    do="Haga: {do}",
    more="Y {n} más: mire los avisos.",
    where="Avisos: {where}",
    list_="Hay más en los avisos del establo.",
    take='Apriete allí "Yo me ocupo", y no se llama a nadie más.',
    trial="PRUEBA, no es un aviso: {barn}",
    trial_text="Esto es una prueba. No pasa nada. Si lee esto, los mensajes llegan a {name} por esta vía.",
    emulated="ESTABLO SIMULADO, sin caballos: ",
    signed="Lo manda el aparato de {barn}. Mire usted a los caballos: el aparato ve solo lo que ven sus sensores.",
    clock="El reloj del aparato no está en hora: no se dicen horas.",
    core_say="El núcleo del aparato no contesta. Nadie maneja los ventiladores ni vigila el calor.",
    core_do="Mire los ventiladores y los caballos. Use las llaves de mano. Vea si el aparato tiene corriente.",
    core_over="El núcleo del aparato contesta otra vez.",
)
WORDS: Mapping[str, CallWords] = {"en": EN, "es": ES}
