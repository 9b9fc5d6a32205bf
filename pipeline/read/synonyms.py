"""Words of timing exports in many languages: add a wording here and every layout knows it.

Written from the general vocabulary of lap timing, without accents (see `words.normal`).
"""

from __future__ import annotations

# Our fields, in the order in which they are shown. `time` is a header that only says 'time': the
# cells decide what it is. `given` and `family` are the two halves of a driver's name.
FIELDS: dict[str, str] = {
    "driver": """
        driver; driver name; name; racer; racer name; pilot; competitor; participant; entrant;
        full name; fahrer; fahrername; name des fahrers; fahrer name; teilnehmer; starter;
        pilote; nom; nom du pilote; nom pilote; nom et prenom; conducteur; concurrent; piloto;
        nombre; nombre del piloto; nombre piloto; conductor; corredor; participante; competidor;
        pilota; nome; nome pilota; nome del pilota; conducente; concorrente; rijder; coureur;
        deelnemer; naam; naam rijder; bestuurder; rijdersnaam; nome do piloto; forare; namn;
        forarnamn; korer; navn; forer; kuljettaja; nimi; ajaja; kierowca; zawodnik; jezdec;
        jmeno; zavodnik; versenyzo; nev; pilota nev; гонщик; пилот; имя; участник; ドライバー;
        ドライバー名; ドライバ; ドライバ名; 選手; 選手名; 氏名; 名前; 運転者; 参加者; 车手;
        드라이버
    """,
    "given": """
        first name; given name; forename; vorname; prenom; nombre de pila; voornaam; 名
    """,
    "family": """
        last name; surname; family name; nachname; familienname; nom de famille; apellido;
        apellidos; cognome; achternaam; 姓; sobrenome
    """,
    "transponder": """
        transponder; transponder no; transponder nr; transponder number; transponder id;
        transponder code; transpondernummer; transpondernr; tx; tag; tag id; chip; chip code;
        chip no; chip id; chipnummer; transmitter; sender; sendernummer; tp; tpid; transpondeur;
        no transpondeur; numero transpondeur; numero de transpondeur; n transpondeur; puce;
        numero transponder; n transponder; num transponder; transponder numero; transmisor;
        transpondedor; numero de transponder; numero transpondedor; n de transponder; trasponder;
        numero trasponder; codice transponder; codigo transponder; transponder codigo; emetteur;
        トランスポンダー; トランスポンダ; トランスポンダー番号; トランスポンダ番号; ポンダー;
        ポンダー番号; ポンダ; 発信機; 発信機番号; 計測器番号; транспондер; transponderi;
        odpovidac; transponderid
    """,
    "car_number": """
        no; nr; car; car no; car nr; car number; number; start number; start no; race number;
        racing number; bib; startnummer; startnr; autonummer; auto nr; fahrzeug; fahrzeugnummer;
        wagen; wagennummer; dossard; numero; num; n; voiture; no voiture; n voiture;
        numero voiture; numero de voiture; dorsal; coche; numero de coche; n coche; vehiculo;
        numero di gara; vettura; n vettura; numero vettura; auto; wagen nr; carro; ゼッケン;
        ゼッケン番号; 車番; 車両番号; カーナンバー; カー番号; 番号; numer; startovni cislo
    """,
    "lap": """
        lap; lap no; lap nr; lap number; lap num; laps; lap count; runde; runden; rundennummer;
        runden nr; rundennr; runde nr; rd; rnd; tour; tours; no tour; n tour; n du tour; tour no;
        numero de tour; numero tour; num tour; vuelta; vueltas; n vuelta; no vuelta;
        numero vuelta; numero de vuelta; num vuelta; giro; giri; n giro; no giro; numero giro;
        num giro; ronde; ronden; ronde nr; rondenr; rondenummer; volta; n volta; numero da volta;
        周; 周回; 周回数; 周回番号; 周目; 周数; ラップ; ラップ数; ラップ番号; ラップno; varv;
        varvnummer; omgang; kierros; okrazenie; nr okrazenia; kolo; cislo kola; kor; круг;
        номер круга; 圈; 圈数; 랩
    """,
    "lap_s": """
        lap time; time of lap; time per lap; lap seconds; lap duration; lap sec; laptijd;
        rundenzeit; rundzeit; zeit pro runde; zeit je runde; rundenzeiten; rz; temps au tour;
        temps tour; temps du tour; temps par tour; chrono; chrono tour; duree du tour;
        duree tour; tiempo de vuelta; tiempo vuelta; tiempo por vuelta; tiempo de la vuelta;
        t vuelta; tempo giro; tempo sul giro; tempo al giro; tempo del giro; tempo di giro;
        rondetijd; rondetijden; rondentijd; tijd per ronde; tempo de volta; tempo por volta;
        tempo da volta; ラップタイム; 周回タイム; 周回時間; 周タイム; 一周タイム; 1周タイム;
        ラップ時間; ラップ秒; varvtid; omgangstid; rundetid; kierrosaika; czas okrazenia;
        cas kola; koridő; korido; время круга; 圈速; 单圈时间; 랩타임
    """,
    "at": """
        time of day; timeofday; tod; clock; clock time; real time; local time; wall time;
        passing; passings; crossing; passing time; passage time; crossing time; crossed at;
        time of passing; time of crossing;
        time stamp; timestamp; date time; datetime; date and time; time utc; utc; utc time; gmt;
        uhrzeit; tageszeit; zeitstempel; durchfahrtszeit; durchfahrt; passierzeit; datum zeit;
        datum uhrzeit; datum und uhrzeit; uhr; zeitpunkt; ueberfahrt; uberfahrt; heure;
        heure de passage; heure du passage; heure passage; horodatage; date heure; date et heure;
        hora; hora de paso; hora paso; hora del dia; hora de cruce; fecha hora; fecha y hora;
        marca de tiempo; ora; orario; ora passaggio; ora di passaggio; orario passaggio;
        orario di passaggio; ora del giorno; data ora; data e ora; tijdstip; doorkomsttijd;
        doorkomst; kloktijd; datum tijd; tijd van de dag; passeertijd; data hora;
        hora da passagem; 時刻; 通過時刻; 通過時間; 日時; 現在時刻; 計測時刻; klockslag;
        klokkeslett; kellonaika; godzina; hodina; idopont; время прохождения; время суток; 时刻;
        at; when
    """,
    "elapsed": """
        elapsed; elapsed time; race time; total time; session time; running time; cumulative;
        cumulative time; cumulated time; accumulated time; time from start; time since start;
        gesamtzeit; rennzeit; laufzeit; zeit seit start; verstrichene zeit; kumulierte zeit;
        temps total; temps ecoule; temps de course; temps cumule; cumul; tiempo total;
        tiempo transcurrido; tiempo acumulado; acumulado; tiempo de carrera; tempo totale;
        tempo trascorso; tempo gara; tempo di gara; tempo cumulato; totaaltijd; verstreken tijd;
        racetijd; totale tijd; tempo total; 経過時間; 経過; 経過タイム; 累計; 累計タイム;
        累積時間; 合計タイム; 総時間; 総合タイム; レースタイム; total
    """,
    "time": """
        time; zeit; temps; tiempo; tempo; tijd; タイム; 時間; tid; aika; czas; cas; ido; время;
        时间; seconds; sec; secs; sekunden; sek; secondes; segundos; secondi; seconden; 秒
    """,
    "session": """
        session; session name; session title; run; run name; segment; part; lauf; laufname;
        sitzung; abschnitt; durchgang; seance; nom de la seance; sesion; nombre de la sesion;
        tanda; sessione; turno; sessie; onderdeel; セッション; セッション名; 走行; 走行枠; race;
        race name; rennen; course; carrera; gara; wedstrijd; レース; レース名; corrida; sessao;
        stint; phase; sesja; zavod; futam; заезд; сессия; session type; type of session
    """,
    "round": """
        round; round no; runde q; rennrunde; ronda; ラウンド; ラウンド番号; turnus
    """,
    "class": """
        class; class name; racing class; category; klasse; klassenname; rennklasse; division;
        categorie; clase; categoria; classe; クラス; クラス名; カテゴリー; カテゴリ; 部門; klass;
        luokka; klasa; kategoria; trida; osztaly; класс
    """,
    "heat": """
        heat; heat no; heat number; group; gruppe; groupe; grupo; gruppo; groep; batterie;
        batteria; vorlaufgruppe; heat nr; manche; manga; ヒート; ヒート番号; 組; 組番号;
        グループ; serie; grupp; skupina; gruppa; группа
    """,
    "date": """
        date; day; datum; tag; jour; fecha; dia; data; giorno; dag; 日付; 年月日; 開催日; 日;
        pvm; dato; datum dag; дата
    """,
    "start": """
        start; start time; started; started at; start of session; session start; start at;
        starttime; startzeit; startuhrzeit; start um; beginn; heure de depart; depart; debut;
        heure de debut; heure depart; hora de salida; salida; hora de inicio; inicio; inizio;
        ora di partenza; partenza; ora inizio; ora di inizio; starttijd; begintijd; aanvang;
        hora de largada; スタート; スタート時刻; 開始; 開始時刻; 開始時間; スタート時間;
        starttid; lahto; lahtoaika; czas startu; cas startu; rajt; старт; green flag; begin
    """,
}
# Headers that look like a field and are none; in the order of the alphabet.
IGNORED = """
    abstand; achterstand; afgedrukt; air temperature; altitude; ambiente; amplitude; angle;
    antenna; attendance; average; avg; baan; bateria; battery; battery level; behind; bemerkung;
    bemerkungen; best; best lap; best lap time; best time; beste ronde; beste runde; beste
    rundenzeit; beste tijd; bestzeit; bezirk; bonus; brand; bruit; calidad; chassis; checked;
    checksum; circuit; circuito; citta; city; ciudad; clasificacion; classement; classifica;
    club; colour; comentario; comment; commentaire; commento; comments; confidence; coordinator;
    corner; count; country; created; decoder; deviation; diferencia; diff; difference;
    direction; distacco; distance; driver count; druck; duration of session; durchschnitt;
    ecart; ecart type; email; engine; entry fee; epreuve; erstellt; evenement; event; event
    name; evento; export; exported; fastest; fastest lap; federation; feuchte; field strength;
    file; flag; frequency; fuel; gap; gedruckt; gemiddelde; geschwindigkeit; gewicht; grid
    position; humedad; humidite; humidity; id; impreso; imprime; index; intensidad; intensita;
    intensite; interval; kommentar; land; lane; laps completed; last lap; last modified;
    latitude; leader; level; licence; license; line; location; longitude; loop; loop id;
    luftdruck; lugar; manufacturer; marker; media; median lap; meeting; meeting name; meilleur
    temps; meilleur tour; mejor tiempo; mejor vuelta; meteo; miglior giro; miglior tempo; model;
    motor; motorleistung; moyenne; nation; noise; noise level; nota; note; notes; notiz;
    observaciones; official; operator; opmerking; opmerkingen; organiser; ort; paese; page;
    pais; pays; penalite; penalizacion; penalties; penalty; photo; pista; piste; place; platz;
    points; points total; pos; posicion; positie; position; posizione; power; pressure; printed;
    promedio; puissance; punkte; punten; punti; puntos; qualita; qualite; quality; rang; rank;
    record; referee; region; remark; remarks; remarque; row; ruckstand; s1; s2; s3; schnellste
    runde; sector 1; sector 2; sector 3; seed; segnale; seite; senal; signaal; signal; signal
    level; signal quality; signal strength; signalstarke; snelheid; snelste ronde; societa;
    source; speed; split; sponsor; stampato; started from; state; status; sterkte; straf;
    strafe; strecke; strength; team; temp; temperatur; temperatura; temperature; temperature
    air; temperatuur; tension; tiempo meteorologico; timekeeper; track; tyre; tyres; valid;
    velocidad; velocita; venue; veranstaltung; verein; vereniging; verschil; version; ville;
    vitesse; vochtigheid; voltage; weather; weer; weight; wetter; wind; zustand;
    コース; ベスト; ベストタイム; ベストラップ; 会場; 信号; 備考; 備考欄; 大会;
    大会名; 天候; 天気; 差; 平均; 強度; 所属; 気温; 湿度; 着順; 車種; 速度;
    電圧; 電池; 順位
"""
# First cells of lines below the rows.
SUMMARY = """
    total; totals; sum; best; best lap; fastest; fastest lap; average; avg; mean; median; laps;
    result; position; pos; rank; end; end of file; end of export; eof; page; gesamt; summe;
    beste; beste runde; bestzeit; schnellste runde; schnitt; durchschnitt; mittel; runden;
    ergebnis; platz; ende; seite; meilleur; meilleur tour; moyenne; tours; fin; somme; resultat;
    mejor; mejor vuelta; promedio; media; vueltas; final de archivo; suma; resultado; migliore;
    miglior giro; giri; fine; somma; risultato; snelste; snelste ronde; gemiddelde; ronden;
    einde; som; 合計; ベスト; ベストラップ; 平均; 順位; 周回数; 終了; printed; exported; created;
    rows; records; laps total; gedruckt; exportiert; erstellt; imprime; exporte; impreso;
    stampato; total laps; total time; gesamtzeit; temps total; tiempo total; tempo totale; count;
    consistency; std dev; deviation; final position; checksum; stand; bericht; generated;
    export ended
"""
