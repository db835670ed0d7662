"""What do headers of readings mean, in the languages that utilities write them?

Words are compared in lower case without spaces and punctuation; of several matches the first of
a list wins.  Common practice, no source.
"""

from __future__ import annotations

import re


def plain(name: str) -> str:
    """A header without case, spaces and punctuation: `Usage (kWh)` is `usagekwh`."""
    return re.sub(r"[\W_]+", "", name.lower())


def _words(text: str) -> tuple[str, ...]:
    return tuple(text.split())


UTC = _words("utc timeutc utctime datetimeutc timestamputc startutc utcstart gmt timegmt")
TIME = _words(
    "time timestamp datetime dateandtime datetimelocal timelocal localtime interval readtime "
    "readingtime zeit zeitstempel datumuhrzeit fecha fechahora horodate"
)
START = _words(
    "start starttime startdate from fromdate intervalstart periodstart startdatetime begin von "
    "billstart servicefrom datefrom intervalstarttime startofperiod billstartdate startread"
)
END = _words(
    "end endtime enddate to todate intervalend periodend enddatetime until bis billend serviceto "
    "dateto intervalendtime endofperiod billenddate endread"
)
DATE = _words("date day datum fecha data readdate readingdate usagedate jour")
READ_DATE = _words("readdate readingdate meterread meterreaddate dateread ablesedatum date")
MONTH = _words("month billmonth billingmonth period billingperiod monat mes mois")
YEAR = _words("year jahr año ano année")
VALUE = _words(
    "value values usage use consumption energy quantity reading load verbrauch consumo "
    "total totalusage kwh kw wh mwh m3 therm therms ccf gj mj energykwh usagekwh usekwh "
    "consumptionkwh volume kvalue wert valor amount"
)
FLAG = _words(
    "flag quality status readtype readingtype type estimated estimate qualityflag qualitycode "
    "readstatus actualestimated note notes"
)
DEMAND = _words("demand peakdemand demandkw billeddemand peakkw maxdemand")
COST = _words("cost charge charges billamount totalcost costs totalcharge bill")
DESCRIPTION = _words("description item chargetype line details detail what")
FEE = _words(
    "fee charge tax levy deposit late interest standing adjustment credit discount rider "
    "surcharge gebühr steuer taxa imposto"
)
"""Words in the description of a row that is a charge and no use."""
METER = _words(
    "meter meterid meterno meternumber meterkey metername mpan mprn nmi servicepoint "
    "servicepointid pointid spid deviceid sensorid zähler zählernummer contador channel"
)

TEMPERATURE_HIGH = _words(
    "tmax tmaxc tmaxf maxtemp maximumtemperature temperaturemax tx max txk maxtemperature "
    "hightemperature high"
)
TEMPERATURE_LOW = _words(
    "tmin tminc tminf mintemp minimumtemperature temperaturemin tn min tnk mintemperature "
    "lowtemperature low"
)
TEMPERATURE = _words(
    "tavg tmean tm tmk tempavg meantemp meantemperature averagetemperature temperaturemean tg "
    "tempmean temperature temp airtemperature airtemp drybulb drybulbtemperature tttu tempc "
    "tempf temperaturec temperaturef t2m tmp outdoortemperature value hourlydrybulbtemperature "
    "tempdegc tempdegf temperaturedegc temperaturedegf t"
)
ELEMENT = _words("element datatype")
ELEMENT_VALUE = _words("value datavalue")
ELEMENT_DATE = _words("date yearmonthday")
ELEMENT_QUALITY = _words("qflag qualityflag")


def marks(name: str) -> str | None:
    """`start` or `end` where a plain header says which end of an interval a time is."""
    if name in END or "ending" in name or name.endswith("end"):
        return "end"
    if name in START or "beginning" in name or name.startswith("start"):
        return "start"
    return None
