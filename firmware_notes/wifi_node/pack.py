"""Samples -> one SenML pack (RFC 8428). No hardware in here."""

import amplifier


def pack_of(bucket, probes, samples, now_s, unix_s):
    """One pack of several samples.

    now_s   seconds since the start, now
    unix_s  the same moment in Unix seconds, None while nobody has told the time: then the times in the pack are
            relative to its arrival (RFC 8428, section 4.5.3)
    """
    records = []
    base = '"bn":"%s/"' % bucket
    if unix_s is not None:
        # Whole seconds: a float of this board would be off by a minute here.
        base += ',"bt":%d' % (unix_s - now_s + samples[0][0])
        zero_s = samples[0][0]
    else:
        zero_s = now_s
    for at_s, supply_mv, readings in samples:
        when = "" if at_s == zero_s else ',"t":%d' % (at_s - zero_s)
        for probe, (value, junction) in zip(probes, readings):
            state = amplifier.state_of(value)
            if state is None:
                records.append('"n":"%s","u":"Cel","v":%s%s' % (probe, _decimal(value * 25), when))
            else:
                records.append('"n":"%s","vs":"%s"%s' % (probe, state, when))
            if junction is not None:
                hundredths = (abs(junction) * 25 + 2) // 4
                hundredths = -hundredths if junction < 0 else hundredths
                records.append('"n":"%s/cold-junction","u":"Cel","v":%s%s' % (probe, _decimal(hundredths), when))
        if supply_mv:
            records.append('"n":"supply","u":"V","v":%d.%03d%s' % (supply_mv // 1000, supply_mv % 1000, when))
    records[0] = base + "," + records[0]
    return "[{" + "},{".join(records) + "}]"


def _decimal(hundredths):
    sign = "-" if hundredths < 0 else ""
    return "%s%d.%02d" % (sign, abs(hundredths) // 100, abs(hundredths) % 100)
