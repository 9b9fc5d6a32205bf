"""Generic headers, titles and session names in the languages that exports come in."""

from __future__ import annotations

HEADERS = {
    "en": {
        "driver": "Driver",
        "transponder": "Transponder",
        "lap": "Lap",
        "lap_s": "Lap time",
        "at": "Time of day",
        "session": "Session",
        "heat": "Heat",
        "class": "Class",
    },
    "de": {
        "driver": "Fahrer",
        "transponder": "Transpondernummer",
        "lap": "Runde",
        "lap_s": "Rundenzeit",
        "at": "Uhrzeit",
        "session": "Durchgang",
        "heat": "Gruppe",
        "class": "Klasse",
    },
    "fr": {
        "driver": "Pilote",
        "transponder": "Transpondeur",
        "lap": "Tour",
        "lap_s": "Temps au tour",
        "at": "Heure",
        "session": "Séance",
        "heat": "Série",
        "class": "Catégorie",
    },
    "es": {
        "driver": "Piloto",
        "transponder": "Transpondedor",
        "lap": "Vuelta",
        "lap_s": "Tiempo de vuelta",
        "at": "Hora",
        "session": "Sesión",
        "heat": "Grupo",
        "class": "Categoría",
    },
}

START = {"en": "Start", "de": "Startzeit", "fr": "Départ", "es": "Salida"}
PRINTED = {
    "en": "Printed at the end of the day, subject to protest",
    "de": "Gedruckt am Ende des Tages, Angaben ohne Gewähr",
    "fr": "Imprimé en fin de journée, sous réserve de réclamation",
    "es": "Impreso al final del día, sujeto a reclamación",
}
SESSIONS = {
    "en": {
        "practice": "Practice",
        "qualifying": "Qualifying",
        "final": "Final",
        "test": "Test",
    },
    "de": {
        "practice": "Training",
        "qualifying": "Qualifikation",
        "final": "Finale",
        "test": "Test",
    },
    "fr": {
        "practice": "Essais",
        "qualifying": "Qualification",
        "final": "Finale",
        "test": "Test",
    },
    "es": {
        "practice": "Entrenamiento",
        "qualifying": "Clasificación",
        "final": "Final",
        "test": "Prueba",
    },
}


def session_names(
    language: str, kinds: str, first: dict[str, int] | None = None
) -> tuple[tuple[str, str], ...]:
    """(name, kind) of a day's sessions from letters: 'ppqqqff' is two practices, three ...

    first: number of the first session of each kind, where a day goes on with another's.
    """
    full = {kind[0]: kind for kind in SESSIONS[language]}
    count = dict(first or {})
    names = []
    for letter in kinds:
        kind = full[letter]
        number = count.get(kind, 1)
        count[kind] = number + 1
        names.append((f"{SESSIONS[language][kind]} {number}", kind))
    return tuple(names)
