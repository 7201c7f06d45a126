"""Tables as other people's laboratories export them are read without options, or refused with what to type.

Headings, preambles and layouts are made up after common practice (no source); the numbers are a press of a
float, written by plain string arithmetic that shares nothing with the reader.
"""

from __future__ import annotations

import gzip
from datetime import datetime, timedelta

import numpy as np
import pytest

from rig.capture import import_table, parse_column
from rig.errors import InputError
from rig.tables import lay_out, plain_text
from rig.tables.clocks import is_clock
from rig.tables.json_rows import json_text
from rig.units import factor

ROWS = 81
TIME_S = np.round(np.arange(ROWS) * 0.02, 3)
TRAVEL_MM = np.round(np.concatenate([np.linspace(0, 12, 41), np.linspace(12, 0, 41)[1:]]), 3)
FORCE_N = np.round(3.5 * np.maximum(TRAVEL_MM - 2, 0) ** 1.2 + 0.01 * np.sin(np.arange(ROWS)), 3)
BEGUN = datetime(2026, 4, 16, 10, 59, 59)
HEIGHT_MM, AREA_MM2 = 90.0, 6361.7


def rows(*columns, sep=",", decimals=3, mark=".", end="\n"):
    """Lines of cells: numbers with some decimals, texts as they are."""

    def cell(value):
        return value if isinstance(value, str) else f"{value:.{decimals}f}".replace(".", mark)

    return "".join(sep.join(map(cell, row)) + end for row in zip(*columns, strict=True))


def grouped(values, group, mark):
    return [f"{v * 1000:,.1f}".replace(",", "_").replace(".", mark).replace("_", group) for v in values]


def stamps(form):
    return [(BEGUN + timedelta(seconds=float(t))).strftime(form)[:-3] for t in TIME_S]


PLAIN = rows(TIME_S, TRAVEL_MM, FORCE_N)
SEMICOLONS = rows(TIME_S, TRAVEL_MM, FORCE_N, sep=";", mark=",")
TABS = rows(TIME_S, TRAVEL_MM, FORCE_N, sep="\t")
HEAD = "Time (s),Disp (mm),Load (N)\n"
HALVES = PLAIN.split("\n")
FIRST, SECOND = "\n".join(HALVES[:30]) + "\n", "\n".join(HALVES[30:])
WITHOUT_TIME = "Disp (mm),Load (N)\n" + rows(TRAVEL_MM, FORCE_N)

READ = {
    "plain": HEAD + PLAIN,
    "settings above, units below": "Sample,F-90-7\nOperator,x\nTest speed,100,mm/min\nGauge length,90,mm\n\n"
    "Time,Extension,Load\n(s),(mm),(N)\n" + PLAIN,
    "everything quoted": '"Time","Extension","Load"\n"(s)","(mm)","(N)"\n'
    + rows(*([f'"{v:.3f}"' for v in column] for column in (TIME_S, TRAVEL_MM, FORCE_N))),
    "decimal commas, quoted, between commas": HEAD
    + rows(*([f'"{v:.3f}"'.replace(".", ",") for v in column] for column in (TIME_S, TRAVEL_MM, FORCE_N))),
    "German, code page": (
        "Prüfprotokoll;\nPrüfgeschwindigkeit;100,0;mm/min\nVorkraft;0,1;N\n\n"
        "Prüfzeit;Traversenweg;Standardkraft\ns;mm;N\n" + SEMICOLONS
    ).encode("latin-1"),
    "French": ("Temps (s);Déplacement (mm);Force (N)\n" + SEMICOLONS).encode("cp1252"),
    "Italian": "Tempo [s];Spostamento [mm];Carico [N]\n" + SEMICOLONS,
    "Spanish": "Tiempo (s);Desplazamiento (mm);Fuerza (N)\n" + SEMICOLONS,
    "Dutch": "Tijd (s);Verplaatsing (mm);Kracht (N)\n" + SEMICOLONS,
    "Polish": ("Czas [s];Przemieszczenie [mm];Siła [N]\n" + SEMICOLONS).encode("cp1250"),
    "Swedish": (
        "Tid (s)\tFörskjutning (mm)\tKraft (N)\n" + rows(TIME_S, TRAVEL_MM, FORCE_N, sep="\t", mark=",")
    ).encode("latin-1"),
    "UTF-16 with tabs": (
        "Time\tPosition\tForce\r\ns\tmm\tN\r\n" + TABS.replace("\n", "\r\n")
    ).encode("utf-16"),
    "byte order mark": "\ufeffTime [s],Crosshead [mm],Force [N]\n" + PLAIN,
    "headings in a comment": "# harbour test\n# time(s) disp(mm) load(N)\n" + TABS.replace("\t", " "),
    "headings in a comment with tabs": "% t [s]\tx [mm]\tF [N]\n" + TABS,
    "headings again": HEAD + FIRST + "\n" + HEAD + SECOND,
    "headings again below a page number": HEAD + FIRST + "\nPage 2\n" + HEAD + SECOND,
    "headings again, the longer part first": HEAD
    + "\n".join(HALVES[:60]) + "\n" + HEAD + "\n".join(HALVES[60:]),
    "a note within": HEAD + FIRST + "Peak reached, operator note\n" + SECOND,
    "totals below": HEAD + PLAIN + "\nMaximum load,55.3,N\nEnd of data\n",
    "blank rows around": HEAD + "NaN,NaN,NaN\n" + PLAIN + "---,---,---\n",
    "a blank column": "Time (s),Disp (mm),Load (N),\n" + PLAIN.replace("\n", ",\n"),
    "an index": ",Time (s),Disp (mm),Load (N)\n"
    + rows([str(n) for n in range(ROWS)], TIME_S, TRAVEL_MM, FORCE_N),
    "a rounded clock": HEAD + rows(np.floor(TIME_S * 10) / 10, TRAVEL_MM, FORCE_N),
    "rate above": "Sampling rate,50,Hz\nSpecimen,F-90-3\n\n" + WITHOUT_TIME,
    "rate above in one cell": "Sample Rate: 50 Hz\nChannels: 2\n\n" + WITHOUT_TIME.replace(",", "\t"),
    "interval above": "Sample interval (s),0.02\nNumber of points,81\n\n" + WITHOUT_TIME,
    "rate in a comment": "# sampling frequency = 50 Hz\n" + WITHOUT_TIME,
    "German rate above": "Abtastrate;50,0;Hz\n\nWeg (mm);Kraft (N)\n"
    + rows(TRAVEL_MM, FORCE_N, sep=";", mark=","),
    "kN": "Time/s,Travel/mm,Force/kN\n" + rows(TIME_S, TRAVEL_MM, FORCE_N / 1000, decimals=6),
    "gf": "Time (s),Travel (mm),Load (gf)\n" + rows(TIME_S, TRAVEL_MM, FORCE_N / 0.00980665, decimals=6),
    "kgf": "t(s),s(mm),F(kgf)\n" + rows(TIME_S, TRAVEL_MM, FORCE_N / 9.80665, decimals=8),
    "pounds and inches": "Time (sec),Extension (in.),Load (lbf)\n"
    + rows(TIME_S, TRAVEL_MM / 25.4, FORCE_N / 4.4482216152605, decimals=8),
    "metres": "Time [s],Displacement [m],Force [N]\n" + rows(TIME_S, TRAVEL_MM / 1000, FORCE_N, decimals=6),
    "micrometres and mN": (
        "Time [s];Displacement [µm];Force [mN]\n" + rows(TIME_S, TRAVEL_MM * 1000, FORCE_N * 1000, sep=";")
    ).encode("latin-1"),
    "minutes": "Time (min),Disp (mm),Load (N)\n" + rows(TIME_S / 60, TRAVEL_MM, FORCE_N, decimals=8),
    "names with units behind": "time_ms,disp_mm,force_N\n" + rows(TIME_S * 1000, TRAVEL_MM, FORCE_N),
    "hh:mm:ss": "Time,Position (mm),Force (N)\n" + rows(stamps("%H:%M:%S.%f"), TRAVEL_MM, FORCE_N),
    "am and pm": "Time,Position (mm),Force (N)\n"
    + rows([f"{text} AM" for text in stamps("%I:%M:%S.%f")], TRAVEL_MM, FORCE_N),
    "ISO times": "Timestamp,Position (mm),Force (N)\n"
    + rows(stamps("%Y-%m-%dT%H:%M:%S.%f"), TRAVEL_MM, FORCE_N),
    "clock below an unknown heading": "Zeitstempel;Weg (mm);Kraft (N)\n"
    + rows(stamps("%d.%m.%Y %H:%M:%S.%f"), TRAVEL_MM, FORCE_N, sep=";"),
    "date and time apart": "Date,Time,Disp (mm),Load (N)\n"
    + rows(["2026-04-16"] * ROWS, stamps("%H:%M:%S.%f"), TRAVEL_MM, FORCE_N),
    "typeset minus": "Time (s);Weg (mm);Kraft (N)\n" + SEMICOLONS.replace("-", "\u2212"),
    "thousands": "Time (s),Position (um),Force (mN)\n"
    + rows(TIME_S, *([f'"{v}"' for v in grouped(c, ",", ".")] for c in (TRAVEL_MM, FORCE_N))),
    "German thousands": "Zeit (s);Weg (um);Kraft (mN)\n"
    + rows([f"{t:.2f}".replace(".", ",") for t in TIME_S],
           *(grouped(c, ".", ",") for c in (TRAVEL_MM, FORCE_N)),
           sep=";"),
    "blanks as thousands between tabs": "Time (s)\tPosition (um)\tForce (mN)\n"
    + rows(TIME_S, *(grouped(c, " ", ".") for c in (TRAVEL_MM, FORCE_N)), sep="\t"),
    "narrow blanks as thousands": "Temps (s);Course (µm);Force (mN)\n"
    + rows([f"{t:.2f}".replace(".", ",") for t in TIME_S],
           *(grouped(c, "\u202f", ",") for c in (TRAVEL_MM, FORCE_N)), sep=";"),
    "many columns": "Point,Time (s),Load (N),Disp (mm),Stress (MPa),Strain (%),Temp (C),Cycle\n"
    + rows(np.arange(ROWS), TIME_S, FORCE_N, TRAVEL_MM, FORCE_N / 6361, TRAVEL_MM / 0.9, TIME_S * 0 + 21,
           TIME_S * 0),
    "setpoint beside": "Time (s),Position setpoint (mm),Position actual (mm),Force (N)\n"
    + rows(TIME_S, TRAVEL_MM + 0.01, TRAVEL_MM, FORCE_N),
    "exponents": "  Time (s)        Disp (mm)       Load (N)\n"
    + rows(*([f" {v: .6E} " for v in column] for column in (TIME_S, TRAVEL_MM, FORCE_N)), sep=""),
    "fixed columns": "     Time     Disp     Load\n      sec       mm        N\n"
    + "".join(f"{t:9.3f}{x:9.3f}{f:9.3f}\n" for t, x, f in zip(TIME_S, TRAVEL_MM, FORCE_N, strict=True)),
    "bars": "|Time (s)|Disp (mm)|Load (N)|\n"
    + "".join(f"|{t:.3f}|{x:.3f}|{f:.3f}|\n" for t, x, f in zip(TIME_S, TRAVEL_MM, FORCE_N, strict=True)),
    "symbols": "t [s];s [mm];F [N]\n" + SEMICOLONS,
    "headings of two lines": "Time,Axial,Axial\n,Displacement,Force\n(s),(mm),(N)\n" + PLAIN,
    "units above the headings": "s,mm,N\nTime,Disp,Load\n" + PLAIN,
    "only carriage returns": (HEAD + PLAIN).replace("\n", "\r"),
    "gzip": gzip.compress((HEAD + PLAIN).encode()),
    "separator line": "sep=;\nTime (s);Disp (mm);Load (N)\n" + SEMICOLONS,
    "sections": "[Header]\nDate=2026-04-16\nRate=50 Hz\n[Data]\nTime (s)\tDisp (mm)\tLoad (N)\n" + TABS,
    "titles with numbers above headings again": "Data of cycle 1\t0.0\ts\n\nDisp\tLoad\tTime\nmm\tN\ts\n"
    + rows(TRAVEL_MM[:40], FORCE_N[:40], TIME_S[:40], sep="\t")
    + "\nData of cycle 2\t0.8\ts\tat\t16:04:05\n\nDisp\tLoad\tTime\nmm\tN\ts\n"
    + rows(TRAVEL_MM[40:], FORCE_N[40:], TIME_S[40:], sep="\t"),
    "means below that begin with a word": HEAD + PLAIN + "\nMaximum,12.0,55.3\nMean,5.1,20.2\n",
    "double precision exponents": " time(s)  disp(mm)  load(N)\n"
    + rows(*([f" {v: .6E} ".replace("E", "D") for v in c] for c in (TIME_S, TRAVEL_MM, FORCE_N)), sep=""),
    "fixed columns, headings with blanks": "  Elapsed Time    Axial Disp    Axial Force\n"
    "           s            mm             N\n"
    + "".join(f"{t:14.3f}{x:14.3f}{f:15.3f}\n" for t, x, f in zip(TIME_S, TRAVEL_MM, FORCE_N, strict=True)),
    "headings that end with their units": "Axial Force(N) Axial Disp(mm) Time(s)\n"
    + rows(FORCE_N, TRAVEL_MM, TIME_S, sep=" "),
    "units only": "N;mm;s\n" + rows(FORCE_N, TRAVEL_MM, TIME_S, sep=";", mark=","),
    "numbered rows without a heading": '"Time (s)","Disp (mm)","Load (N)"\n'
    + rows([f'"{n}"' for n in range(1, ROWS + 1)], TIME_S, TRAVEL_MM, FORCE_N),
    "clocks and counts of cycles": "Total Time (s),Cycle Elapsed Time (s),Elapsed Cycles,"
    "Position(Linear) (mm),Load (N)\n"
    + rows(TIME_S, TIME_S % 1, TIME_S * 0, TRAVEL_MM, FORCE_N),
    "strain with a dash for its unit": "Time [s],Engineering strain [-],Load [N]\n"
    + rows(TIME_S, TRAVEL_MM / HEIGHT_MM, FORCE_N, decimals=9),
    "results above of the same width": "Specimen,Peak load,Height\nF-90-1,55.2,90.0\nF-90-2,54.1,90.1\n\n"
    + HEAD + PLAIN,
    "strain and stress": "Time (s),Compressive strain (%),Compressive stress (kPa)\n"
    + rows(TIME_S, TRAVEL_MM / HEIGHT_MM * 100, FORCE_N / AREA_MM2 * 1000, decimals=8),
    "strain and stress in a row of units": "Time;Strain;Stress\ns;mm/mm;N/mm2\n"
    + rows(TIME_S, TRAVEL_MM / HEIGHT_MM, FORCE_N / AREA_MM2, sep=";", mark=",", decimals=10),
    "a frame and rules": "+----+----+----+\n| Time (s) | Disp (mm) | Load (N) |\n|:---|---:|:--:|\n"
    + "".join(f"| {line} |\n" for line in PLAIN.replace(",", " | ").splitlines())
    + "+----+----+----+\n",
    "brackets around rows": "[Time_s, Disp_mm, Load_N]\n"
    + "".join(f"[{line}]\n" for line in PLAIN.splitlines()),
    "another sign between cells": (HEAD + PLAIN).replace(",", "~"),
    "units before names": "[s] Time;[mm] Weg;[N] Kraft\n" + SEMICOLONS,
    "marks without headings again": HEAD + "--- Segment 1 ---\n" + FIRST + "[Segment 2]\n" + SECOND,
    "marks that name quantities, and one over all cells": HEAD
    + "MARK,,\n" + FIRST + "Phase: unload\n" + SECOND,
    "a blank in the first row": HEAD + "-0.02,0.000,\n" + PLAIN,
    "peaks and errors beside": "Time (s),Disp (mm),Load (N),Peak load (N),Force error (N),Pre (N)\n"
    + rows(TIME_S, TRAVEL_MM, FORCE_N, np.maximum.accumulate(FORCE_N), FORCE_N / 99, TIME_S * 0 + 5),
    "results at the right": HEAD.replace("\n", ",Result (N)\n")
    + PLAIN.replace("\n", ",55.2\n", 1).replace("\n", ",\n").replace("55.2,", "55.2"),
    "ISO times in the basic format": "Time,Position (mm),Force (N)\n"
    + rows(stamps("%Y%m%dT%H%M%S.%f"), TRAVEL_MM, FORCE_N),
    "months by name": "Time,Position (mm),Force (N)\n"
    + rows(stamps("%d-%b-%Y %H:%M:%S.%f"), TRAVEL_MM, FORCE_N),
    "French rate above": "Fréquence d'échantillonnage : 50 Hz\n\n" + WITHOUT_TIME,
    "Japanese interval above": "サンプリング周期,20,ms\n\n" + WITHOUT_TIME,
    "lines of JSON": "".join(
        f'{{"n": {n}, "state": "ok", "time_s": {t}, "disp_mm": {x}, "load_N": {f}}}\n'
        for n, (t, x, f) in enumerate(zip(TIME_S, TRAVEL_MM, FORCE_N, strict=True))
    ),
    "a list of JSON in one line": "["
    + ", ".join(
        f'{{"time_s": {t}, "disp_mm": {x}, "load_N": {f}}}'
        for t, x, f in zip(TIME_S, TRAVEL_MM, FORCE_N, strict=True)
    )
    + "]",
    "strain and force": "Time (s),Compression (%),Force (N)\n"
    + rows(TIME_S, TRAVEL_MM / HEIGHT_MM * 100, FORCE_N, decimals=8),
    "strain and stress by their signs": "t [s];\u03b5 [%];\u03c3 [kPa]\n"
    + rows(TIME_S, TRAVEL_MM / HEIGHT_MM * 100, FORCE_N / AREA_MM2 * 1000, decimals=8, sep=";"),
    "decimal commas between commas": HEAD + rows(TIME_S, TRAVEL_MM, FORCE_N, mark=","),
    "units in a line above": "Units: s, cm, kgf\nTime,Disp,Load\n"
    + rows(TIME_S, TRAVEL_MM / 10, FORCE_N / 9.80665, decimals=8),
    "a line for each unit above":
    "Test type;Compression\nTime unit;s\nDisp unit;mm\nLoad unit;kN\nSpeed;1;mm/s\n\n"
    "Time;Disp;Load\n" + rows(TIME_S, TRAVEL_MM, FORCE_N / 1000, decimals=8, sep=";"),
    "channels above with their units": "Channels: Time [s], Disp [mm], Load [daN]\nTime,Disp,Load\n"
    + rows(TIME_S, TRAVEL_MM, FORCE_N / 10, decimals=8),
    "a column of units": "Time (s),Disp (mm),Reading,Unit\n"
    + rows(TIME_S, TRAVEL_MM, FORCE_N / 9.80665, ["kgf"] * ROWS, decimals=8),
    "full-width digits": ("時間(s),変位(mm),荷重(N)\n" + PLAIN).translate(
        {code: code + 0xFEE0 for code in map(ord, "0123456789.-()smN")}
    ),
    "Arabic digits": "Time (s);Disp (mm);Load (N)\n" + PLAIN.replace(",", ";").translate(
        {ord("."): "\u066b"} | {ord("0") + digit: 0x0660 + digit for digit in range(10)}
    ),
    "powers of ten": HEAD
    + rows(TIME_S, *([f"{v:.6e}".replace("e", "\u00d710^").replace("^+", "^") for v in c]
                     for c in (TRAVEL_MM, FORCE_N))),
    "powers of ten with raised digits": HEAD
    + rows(TIME_S, *([f"{v * 1000:.3f}\u00d710\u207b\u00b3" for v in c] for c in (TRAVEL_MM, FORCE_N))),
    "cells that a spreadsheet must not read": HEAD
    + rows(*([f'="{v:.3f}"' for v in c] for c in (TIME_S, TRAVEL_MM, FORCE_N))),
    "negative in parentheses": HEAD
    + rows(TIME_S, TRAVEL_MM, [f"({-f:.3f})" if f < 0 else f"{f:.3f}" for f in FORCE_N]),
    "a minus behind": HEAD
    + rows(TIME_S, TRAVEL_MM, [f"{-f:.3f}-" if f < 0 else f"{f:.3f}" for f in FORCE_N]),
    "LaTeX": "\\begin{tabular}{rrr}\n\\toprule\nTime (s) & Disp (mm) & Load (N) \\\\\n\\midrule\n"
    + rows(TIME_S, TRAVEL_MM, FORCE_N, sep=" & ", end=" \\\\\n") + "\\bottomrule\n\\end{tabular}\n",
    "LaTeX with mathematics": "\\begin{tabular}{rrr}\n$t$ [s] & $x$ [mm] & $F$ [N] \\\\ \\hline\n"
    + rows(TIME_S, TRAVEL_MM, FORCE_N, sep=" & ", end=" \\\\\n") + "\\hline\n\\end{tabular}\n",
    "a page": "<html><h1>Test</h1><table>\n<tr><th>Time (s)</th><th>Disp (mm)</th><th>Load (N)</th></tr>\n"
    + rows(TIME_S, TRAVEL_MM, FORCE_N, sep="</td><td>").replace("\n", "</td></tr>\n<tr><td>")
    + "</td></tr></table></html>",
    "columns lying": "Test 7\n" + "".join(
        ",".join([name, *map(str, column)]) + "\n"
        for name, column in (("Time (s)", TIME_S), ("Disp (mm)", TRAVEL_MM), ("Load (N)", FORCE_N))
    ),
    "brackets around rows only": "Time (s), Disp (mm), Load (N)\n"
    + "".join(f"({line}),\n" for line in PLAIN.splitlines()),
    "durations": "Duration,Disp (mm),Load (N)\n" + rows([f"PT{t:.2f}S" for t in TIME_S], TRAVEL_MM, FORCE_N),
    "the time of day beside the elapsed time": "Date/Time,Elapsed (s),Disp (mm),Load (N)\n"
    + rows([text[:-4] for text in stamps("%Y-%m-%d %H:%M:%S.%f")], TIME_S, TRAVEL_MM, FORCE_N),
    "an object of JSON lists": f'{{"rate": 50, "data": {{"time_s": {TIME_S.tolist()}, '
    f'"disp_mm": {TRAVEL_MM.tolist()}, "load_N": {FORCE_N.tolist()}}}}}',
    "JSON rows below their names": '{"columns": ["time (s)", "disp (mm)", "load (N)"],\n "data": '
    + str(np.column_stack([TIME_S, TRAVEL_MM, FORCE_N]).tolist()) + "}",
    "objects in lines of JSON": "".join(
        f'{{"clock": {{"time_s": {t}}}, "press": {{"disp_mm": {x}, "load_N": {f}}}}}\n'
        for t, x, f in zip(TIME_S, TRAVEL_MM, FORCE_N, strict=True)
    ),
    "JSON spread over lines": "[\n" + ",\n".join(
        f' {{\n  "time_s": {t},\n  "disp_mm": {x},\n  "load_N": {f}\n }}'
        for t, x, f in zip(TIME_S, TRAVEL_MM, FORCE_N, strict=True)
    ) + "\n]",
    "JSON series with a name each": f'[{{"name": "time_s", "values": {TIME_S.tolist()}}}, '
    f'{{"name": "disp_mm", "values": {TRAVEL_MM.tolist()}}}, '
    f'{{"name": "load_N", "values": {FORCE_N.tolist()}}}]',
    "JSON rows below a row of names": '[["time_s", "disp_mm", "load_N"], '
    + str(np.column_stack([TIME_S, TRAVEL_MM, FORCE_N]).tolist())[1:],
    "JSON objects of numbered values": "{" + ", ".join(
        f'"{name}": {{' + ", ".join(f'"{n}": {v}' for n, v in enumerate(column)) + "}"
        for name, column in (("time_s", TIME_S), ("disp_mm", TRAVEL_MM), ("load_N", FORCE_N))
    ) + "}",
    "units as headings": "ms,mm,N,volts\n" + rows(TIME_S * 1000, TRAVEL_MM, FORCE_N, TIME_S * 0 + 3.7),
    "units in capitals below": "TIEMPO\tDEFORM.\tCARGA\nS\tCM\tKGF\n"
    + rows(TIME_S, TRAVEL_MM / 10, FORCE_N / 9.80665, sep="\t", decimals=8),
    "units in a comment above a comment of names": "# units: s mm N\n# time travel force\n"
    + TABS.replace("\t", " "),
    "quotation marks around lines": "".join(f'"{line}"\n' for line in (HEAD + PLAIN).splitlines()),
    "single quotation marks": "'Time (s)','Disp (mm)','Load (N)'\n"
    + rows(*([f"'{v:.3f}'" for v in column] for column in (TIME_S, TRAVEL_MM, FORCE_N))),
    "a minus behind a decimal comma": "Zeit (s);Weg (mm);Kraft (N)\n"
    + rows(TIME_S, TRAVEL_MM, [f"{-f:.3f}-" if f < 0 else f"{f:.3f}" for f in FORCE_N],
           sep=";").replace(".", ","),
    "headings that other signs separate": "Time (s), Disp (mm), Load (N)\n" + TABS,
    "a line of JSON above": '{"device": "press 4", "gains": [1.0, 2.0]}\n' + HEAD + PLAIN,
    "a log with the time in front": "".join(
        f"[{stamp}] INFO disp_mm={x} load_N={f}\n"
        for stamp, x, f in zip(stamps("%Y-%m-%dT%H:%M:%S.%f"), TRAVEL_MM, FORCE_N, strict=True)
    ),
    "a legend of its channels": "CH1 = time [s]\nCH2 = travel [mm]\nCH3 = load [N]\nCH1,CH2,CH3\n" + PLAIN,
    "a legend with a colon": "Kanal 1: Zeit in s\nKanal 2: Weg in mm\nKanal 3: Kraft in N\n\n"
    "Kanal 1;Kanal 2;Kanal 3\n" + SEMICOLONS,
    "headings over two lines": "Clock,Crosshead,Load\nelapsed,machine,cell\ns,mm,N\n" + PLAIN,
    "a column of labels": "Name:,Time,Stroke,Load\nUnit:,s,mm,N\n"
    + rows([""] * ROWS, TIME_S, TRAVEL_MM, FORCE_N),
    "units in front": "s Time,mm Travel,N Load\n" + PLAIN,
    "the number of a specimen": "Provino N.;Tempo [s];Corsa [mm];Forza [N]\n"
    + rows(["4"] * ROWS, TIME_S, TRAVEL_MM, FORCE_N, sep=";", mark=","),
    "a serial monitor": "Booting\n" + "".join(
        f"{stamp} -> Load: {f} N, Disp: {x} mm\n"
        for stamp, x, f in zip(stamps("%H:%M:%S.%f"), TRAVEL_MM, FORCE_N, strict=True)
    ),
}  # fmt: skip


def imported(tmp_path, content, **options):
    path = tmp_path / "table.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return import_table(path, free_height_mm=HEIGHT_MM, area_mm2=AREA_MM2, **options)


@pytest.mark.parametrize("name", READ)
def test_a_strangers_table_needs_no_option(tmp_path, name) -> None:
    samples = imported(tmp_path, READ[name]).samples
    assert samples.clock == "device"
    travel_mm = samples.position * factor(samples.position_channel.unit, "mm")
    force_n = samples.force * factor(samples.force_channel.unit, "N")
    # the last digit that was written, and what its table rounds
    np.testing.assert_allclose(travel_mm, TRAVEL_MM, atol=1e-6)
    np.testing.assert_allclose(force_n, FORCE_N, atol=1e-5)
    np.testing.assert_allclose((samples.time_us - samples.time_us[0]) / 1e6, TIME_S, atol=2e-6)


TWO = "Specimen 1\n" + HEAD + PLAIN + "\nSpecimen 2\n" + HEAD + PLAIN
REFUSED = {
    "two specimens below each other": (TWO, "another table begins here .*--until-line 85.*--skip-rows 85"),
    "two specimens side by side": (
        "Time (s),Disp (mm),Load (N)," + HEAD + rows(*[TIME_S, TRAVEL_MM, FORCE_N] * 2),
        '--time "#1:s" --position "#2:mm" --force "#3:N" or: --time "#4:s"',
    ),
    "two positions": (
        "Time (s),Crosshead (mm),Extensometer (mm),Load (N)\n"
        + rows(TIME_S, TRAVEL_MM, TRAVEL_MM / 3, FORCE_N),
        "position may be #2 'Crosshead",
    ),
    "no headings": (
        PLAIN,
        "a first row of #1 '0.000', .*--time \"#1:s\" --position \"#2:mm\" --force \"#3:N\" .if these are",
    ),
    "four columns without headings": (
        rows(TIME_S, TRAVEL_MM, FORCE_N, FORCE_N),
        "a first row of #1 '0.000', .*--time \"#1:s\" --position \"#2:mm\" --force \"#3:N\" .if these are",
    ),
    "counts": (
        "time_s,position_counts,force_N\n" + rows(TIME_S, TRAVEL_MM * 200, FORCE_N, decimals=0),
        "--position \"position_counts:0.01 mm\" --force \"force_N:N\" "
        ".if 'position_counts' is the position and one of it is 0.01 mm",
    ),
    "a unit that changes its kind": (
        "Travel,Load\n" + rows([f"{x} mm" for x in TRAVEL_MM], ["1 N", *["2 s"] * (ROWS - 1)]),
        "line 3: found '2 s' in a column that begins in 'N'",
    ),
    "more numbers than headings": (
        HEAD + rows(TIME_S + 9, TRAVEL_MM, FORCE_N, FORCE_N, TRAVEL_MM),
        "3 headings above rows of 5 .*by number",
    ),
    "words that fit no column": (
        "Axial Disp(mm) Load(N) Time(s)\n" + rows(TRAVEL_MM, FORCE_N, sep=" "), "a first row of #1 '0.000'"
    ),
    "measured and corrected": (
        "Time (s),Disp (mm),Corrected disp (mm),Load (N)\n" + rows(TIME_S, TRAVEL_MM, TRAVEL_MM, FORCE_N),
        "position may be #2 'Disp .mm.' or #3 'Corrected disp",
    ),
    "two units for one column, above": ("s,mm,kN\n" + HEAD + PLAIN, "'Load .N.' has another unit"),
    "two units for one column": (HEAD + "s,mm,kN\n" + PLAIN, "'Load .N.' has another unit"),
    "headings of an unknown language": (
        "Uno;Duo;Tres\n" + SEMICOLONS, '--time "Uno:s" --position "Duo:mm" --force "Tres:N" .if these are'
    ),
    "letters": ("F,t,x\n" + rows(FORCE_N, TIME_S, TRAVEL_MM), '--time "t:s" --position "x:mm" --force "F:N"'),
    "days of a spreadsheet": (
        "Time,Disp (mm),Load (N)\n"
        + rows([f"{46000 + t / 86400:.9f}" for t in TIME_S], TRAVEL_MM, FORCE_N),
        'Type: --time "Time:day"',
    ),
    "a gap between blanks that nothing places": (
        "Time_s Disp_mm Load_N\n" + TABS.replace("\t", " ").replace("0.040 0.600 ", "0.040 ", 1),
        "line 4: found 2 cells between blanks, .*write NaN in its place",
    ),
    "tens of newtons": (
        "Time (s),Disp (mm),Load (x10 N)\n" + PLAIN, r'--force "Load \(x10 N\):10 N" .if one of'
    ),
    "no column that could be a position": (
        "Time (s),Load (N)\n" + rows(TIME_S, FORCE_N),
        "no column of numbers is left that could be the position.*Expected a column of position and one of",
    ),
    "a document": ("%PDF-1.4\n" + PLAIN, "a PDF document; save its table as CSV"),
    "a strain without a unit": (
        "Time (s),Strain,Load (N)\n" + rows(TIME_S, TRAVEL_MM / 90, FORCE_N),
        'Type: .*--position "Strain:mm/mm"',
    ),
    "settings that are no legend": (
        "Load: 5 kN\nDisp: 12 mm\nTime = 60 s\nTime,Disp,Load\n" + PLAIN, "'Load' has no unit"
    ),
    "a legend with the capacity of a cell": (
        "CH1 = time [s]\nCH2 = travel [mm]\nCH3 = load cell 500 N\nCH1,CH2,CH3\n" + PLAIN,
        "the headings do not show which columns",
    ),
    "a legend that says two things": (
        "CH1 = time [s]\nCH2 = travel [mm]\nCH3 = load [N]\nCH3 = load [kN]\nCH1,CH2,CH3\n" + PLAIN,
        "the headings do not show which columns",
    ),
    "two units for one column, beside a legend": (
        "CH2 = travel [mm]\nTime (s),CH2,Load (N)\ns,mm,kN\n" + PLAIN, "'Load .N.' has another unit"
    ),
    "headings without units": ("Time,Disp,Load\n" + PLAIN, "'Load' has no unit"),
    "points as thousands in some cells": (
        "Time (s);Pos (um);Load (mN)\n0;300;10\n1;900;20\n2;1.200;30\n3;12.000;40\n",
        "line 4, column 'Pos .um.': found '1.200'; the point may be decimal or mark thousands; "
        "say which with --decimal",
    ),
    "one cell with a mark": (
        "Time (s),Pos (um),Load (mN)\n0,300,10\n1,900,20\n2,1.000,30\n3,1100,40\n",
        "found '1.000'; the point may be decimal or mark thousands",
    ),
    "a clock that begins again": (HEAD + PLAIN + PLAIN, "times must rise.*--time none.*--until-line 82"),
    "blocks whose clock begins again": (
        "Disp (mm),Load (N),Time (s)\n" + rows(TRAVEL_MM, FORCE_N, TIME_S) + "Specimen 2,at,9.1,s\n"
        + "Disp (mm),Load (N),Time (s)\n" + rows(TRAVEL_MM + 1, FORCE_N, TIME_S),
        "line 84: another table begins here.*or both as one recording with --time none",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_can_be_read_in_two_ways_is_refused_with_what_to_type(tmp_path, name) -> None:
    content, words = REFUSED[name]
    with pytest.raises(InputError, match=words):
        imported(tmp_path, content)


def test_a_blank_between_columns_that_stand_below_each_other_keeps_its_place(tmp_path) -> None:
    lines = [
        f"{t:10.3f}{x:10.3f}{f:10.3f}{21:8d}\n" for t, x, f in zip(TIME_S, TRAVEL_MM, FORCE_N, strict=True)
    ]
    for row in (5, ROWS - 1):
        lines[row] = lines[row][:10] + " " * 10 + lines[row][20:]
    table = "  Time (s) Disp (mm)  Load (N)    Temp\n" + "".join(lines)
    np.testing.assert_array_equal(imported(tmp_path, table).samples.force, np.delete(FORCE_N, [5, ROWS - 1]))


def test_a_rising_column_that_no_heading_names_is_offered_as_the_time(tmp_path) -> None:
    found = imported(
        tmp_path, "stamp_,Disp (mm),Load (N)\n" + rows(1.7e12 + TIME_S * 1000, TRAVEL_MM, FORCE_N)
    )
    assert any(note.endswith("""if 'stamp_' is the time, give --time "stamp_:ms\"""") for note in found.notes)


@pytest.mark.parametrize(
    "head",
    ["Time (m),Disp (mm),Load (N)\n", "Time_m,Disp_mm,Load_N\n", "Time,Disp,Load\nm,mm,N\n"],
)
def test_m_beside_a_time_is_minutes(tmp_path, head) -> None:
    found = imported(tmp_path, head + rows(TIME_S, TRAVEL_MM, FORCE_N))
    np.testing.assert_allclose(found.samples.time_us, TIME_S * 60e6, atol=1)
    assert any("in min" in note for note in found.notes)


@pytest.mark.parametrize(
    "head",
    ["Time (m),Disp (mm),Load (N)\n(s),(mm),(N)\n", "Time (m),Time (ms),Disp (mm),Load (N)\n"],
)
def test_m_beside_a_time_is_asked_where_another_unit_contradicts_it(tmp_path, head) -> None:
    twice = (TIME_S,) * (head.count("Time") - 1)
    with pytest.raises(InputError, match=r"--time \"(Time \(m\)|#1)"):
        imported(tmp_path, head + rows(TIME_S, *twice, TRAVEL_MM, FORCE_N))


def test_a_rising_column_in_an_unknown_unit_is_offered_with_its_unit_left_open(tmp_path) -> None:
    found = imported(tmp_path, "Time (frames),Disp (mm),Load (N)\n" + rows(7 + TIME_S, TRAVEL_MM, FORCE_N))
    assert any(note.endswith('--time "Time (frames):s" (with its unit)') for note in found.notes)


def test_few_rows_with_blanks_as_thousands_are_cut_at_their_tabs(tmp_path) -> None:
    table = "Time\tTravel\tForce\n(s)\t(mm)\t(N)\n" + "".join(
        f"{row}.0\t{row}.0\t1 00{row}.0\n" for row in range(3)
    )
    samples = imported(tmp_path, table + "Max;12;99\n").samples
    np.testing.assert_array_equal(samples.force, [1000.0, 1001.0, 1002.0])


def test_the_second_specimen_is_read_as_the_refusal_says(tmp_path) -> None:
    from rig.capture import TableForm

    samples = imported(tmp_path, TWO, form=TableForm(skip_rows=85)).samples
    np.testing.assert_array_equal(samples.force, FORCE_N)


def test_rows_of_several_clocks_are_one_recording_where_they_are_in_order(tmp_path) -> None:
    samples = imported(
        tmp_path, TWO.replace("\nSpecimen 2", "\nCycle 2"), in_order=True, rate_hz=50.0
    ).samples
    np.testing.assert_array_equal(samples.force, [*FORCE_N, *FORCE_N])
    np.testing.assert_array_equal(samples.time_us, 20_000 * np.arange(2 * ROWS))


SPELT = {
    "name, value and unit": "".join(
        f"t={t:.2f} s, x={x:.3f} mm, F={f:.3f} N\n"
        for t, x, f in zip(TIME_S, TRAVEL_MM, FORCE_N, strict=True)
    ),
    "colons and tabs": "".join(
        f"Time: {t:.2f} s\tPos: {x:.3f} mm\tLoad: {f:.3f} N\n"
        for t, x, f in zip(TIME_S, TRAVEL_MM, FORCE_N, strict=True)
    ),
    "a unit in each cell": "when;travel;load\n"
    + rows(
        [f"{t:.2f} s" for t in TIME_S],
        [f"{x:.3f} mm".replace(".", ",") for x in TRAVEL_MM],
        [f"{f:.3f} N".replace(".", ",") for f in FORCE_N],
        sep=";",
    ),
    "rows of units and of types": "Name;Time;Position;Force\nUnit;s;mm;N\nType;double;double;double\n"
    + rows([str(n) for n in range(ROWS)], TIME_S, TRAVEL_MM, FORCE_N, sep=";"),
    "a unit that grows": "when,travel,load\n"
    + rows(
        [f"{t:.2f} s" for t in TIME_S],
        [f"{x:.3f} mm" for x in TRAVEL_MM],
        [f"{f:.3f} N" if f < 10 else f"{f / 1000:.6f} kN" for f in FORCE_N],
    ),
}


@pytest.mark.parametrize("name", SPELT)
def test_cells_that_spell_name_and_unit_are_read(tmp_path, name) -> None:
    samples = imported(tmp_path, SPELT[name]).samples
    np.testing.assert_allclose(samples.position, TRAVEL_MM, atol=1e-9)
    np.testing.assert_allclose(samples.force, FORCE_N, atol=1e-9)
    np.testing.assert_allclose(samples.time_us, TIME_S * 1e6, atol=1)


def test_a_remark_among_cells_that_spell_their_names_is_counted_and_a_torn_row_refused(tmp_path) -> None:
    spelt = [
        f"t={t:.2f} s, x={x:.3f} mm, F={f:.3f} N" for t, x, f in zip(TIME_S, TRAVEL_MM, FORCE_N, strict=True)
    ]
    path = tmp_path / "spoken.txt"
    path.write_text("\n".join([*spelt[:20], "the lamp went out, then came on", *spelt[20:]]))
    assert any("1 remark within the table left out" in note for note in import_table(path).notes)
    path.write_text("\n".join([*spelt[:20], "t=0.40 s, x=5.000 mm", *spelt[20:]]))
    with pytest.raises(InputError, match="line 21: found 2 cells, while the rows around it have 3"):
        import_table(path)


@pytest.mark.parametrize("heading", ["TIME(S),DISP(MM),FORCE(N)", "t [SEC],Weg [MM],Kraft [N]"])
def test_units_in_capitals_are_read(tmp_path, heading) -> None:
    np.testing.assert_allclose(imported(tmp_path, f"{heading}\n{PLAIN}").samples.position, TRAVEL_MM)


@pytest.mark.parametrize(
    "word",
    [
        "ERR",
        "OVR",
        "#N/A",
        "---",
        "***",
        "n.a.",
        "No data",
        "1.#QNAN",
        "∞",
        "fuera de rango",
        "9.91E+37",
        "<0.05",
        "> 99.9",
        "-9999.0",
    ],
)
def test_words_for_no_reading_leave_their_row_out(tmp_path, word) -> None:
    force = [word if row in (7, 20) else f"{f:.3f}" for row, f in enumerate(FORCE_N)]
    found = imported(tmp_path, HEAD + rows(TIME_S, TRAVEL_MM, force))
    assert len(found.samples) == ROWS - 2
    assert any("2 of 81 rows left out" in note for note in found.notes)


def test_strain_and_stress_ask_for_height_and_area_at_once(tmp_path) -> None:
    path = tmp_path / "table.csv"
    path.write_text("Operator,x\n" + READ["strain and stress"], encoding="utf-8")
    with pytest.raises(InputError, match=r"--free-height; .*--area"):
        import_table(path)


@pytest.mark.parametrize(
    "lines",
    [
        "Sample height (mm),90.0\nCross section,6361.7,mm2\n",
        "L0 = 90 mm; A0 = 63.617 cm2\n",
        "Anfangslänge;9,0;cm\nQuerschnittsfläche;6361,7;mm²\n",
        '"Gauge length","90.00","mm"\n"Area (mm^2)","6361.7"\n',
        "Hauteur initiale de l'éprouvette (mm) : 90,0\nSection : 6361,7 mm²\nHauteur finale: 80 mm\n",
        "Wysokość próbki: 90 mm\nPole: 6361,7 mm2\nPlaten area: 10000 mm2\nHeights of 5 mm to 99 mm\n",
        '# {"height_mm": 90.0, "area_mm2": 6361.7}\n',
    ],
)
def test_height_and_area_are_taken_from_the_lines_above_a_table(tmp_path, lines) -> None:
    path = tmp_path / "table.csv"
    path.write_text(lines + READ["strain and stress"], encoding="utf-8")
    found = import_table(path)
    given = imported(tmp_path, READ["strain and stress"])
    np.testing.assert_allclose(found.samples.position, given.samples.position, rtol=1e-12)
    np.testing.assert_allclose(found.samples.force, given.samples.force, rtol=1e-12)
    assert any("free height 90 mm, by line 1" in note for note in found.notes)


def test_two_heights_above_a_table_are_not_chosen_from(tmp_path) -> None:
    path = tmp_path / "table.csv"
    path.write_text(
        "Sample height: 90 mm\nGauge length: 50 mm\n" + READ["strain and force"], encoding="utf-8"
    )
    with pytest.raises(InputError, match=r'--free-height, as in --free-height "90 mm" .*Gauge length: 50 mm'):
        import_table(path)


def test_an_area_is_worked_out_in_the_refusal(tmp_path) -> None:
    path = tmp_path / "table.csv"
    path.write_text("L0: 90 mm\nWidth;10;mm\nThickness;4;mm\n" + READ["strain and stress"], encoding="utf-8")
    with pytest.raises(InputError, match=r'--free-height "90 mm" --area "40 mm\^2"'):
        import_table(path)


def test_a_strain_without_the_height_is_refused_with_the_option(tmp_path) -> None:
    path = tmp_path / "table.csv"
    path.write_text(READ["strain and force"], encoding="utf-8")
    with pytest.raises(InputError, match="needs the free height: give it with --free-height"):
        import_table(path)


@pytest.mark.parametrize(
    "line",
    ["Test frequency,0.5,Hz", "Sampling rate,50,mm/min", "Sample,50", "Speed 10 mm/s", "Sample no 3 s"]
)  # fmt: skip
def test_other_lines_are_not_taken_for_a_rate(tmp_path, line) -> None:
    assert imported(tmp_path, f"{line}\n\n{WITHOUT_TIME}").samples.clock == "none"


def test_two_rates_are_left_to_the_user_and_a_stated_one_wins(tmp_path) -> None:
    table = "Sampling rate,50,Hz\nLogging rate,10,Hz\n\n" + WITHOUT_TIME
    assert any("several rates" in note for note in imported(tmp_path, table).notes)
    assert imported(tmp_path, table, rate_hz=50.0).samples.time_us[1] == 20_000


SIGNS = {
    "as they are": (1, 1, ()),
    "compression negative": (1, -1, ("--negate-force.",)),
    "both negative": (-1, -1, ("--negate-force --negate-position.",)),
    "a gap or a height that closes": (-1, 1, ("--negate-position.",)),
}


@pytest.mark.parametrize(("offset", "position_mm"), [(0.0, 0.0), (8.0, 250.0)])
@pytest.mark.parametrize("counted", SIGNS)
def test_a_compression_counted_the_other_way_is_turned_round_and_said(
    tmp_path, counted, offset, position_mm
) -> None:
    way, push, said = SIGNS[counted]
    text = HEAD + rows(TIME_S, position_mm + way * TRAVEL_MM, offset + push * FORCE_N)
    found = imported(tmp_path, text)
    assert found.samples.force - push * offset == pytest.approx(FORCE_N, abs=2e-4)
    assert found.samples.position - way * position_mm == pytest.approx(TRAVEL_MM, abs=2e-4)
    assert [note for note in found.notes if "--negate" in note] == [
        note for note in found.notes if any(option in note for option in said)
    ]
    assert bool(said) == any("--keep-signs" in note for note in found.notes)
    kept = imported(tmp_path, text, keep_signs=True)
    assert kept.samples.position - position_mm == pytest.approx(way * TRAVEL_MM, abs=2e-4)
    assert kept.samples.force - offset == pytest.approx(push * FORCE_N, abs=2e-4)


@pytest.mark.parametrize("pull_share", [0.05, 0.2, 0.45])
@pytest.mark.parametrize("counted", SIGNS)
def test_a_specimen_that_sticks_on_the_way_back_does_not_hide_the_signs(
    tmp_path, counted, pull_share
) -> None:
    """The pull comes behind the press and is the smaller one: a press then a pull, counted four ways."""
    way, push, said = SIGNS[counted]
    seconds = np.arange(0, 12, 0.02)
    travel_mm = np.interp(seconds, [0, 1, 4, 7, 12], [0, 0, 6, 0, 0])
    behind = np.clip((seconds - 6.0) / 1.0, 0, 1)  # the last 2 of 6 mm on the way back
    force_n = 5 * np.clip(travel_mm - 2, 0, None) - 20 * pull_share * np.sin(np.pi * behind)
    found = imported(tmp_path, HEAD + rows(seconds, 30 + way * travel_mm, push * force_n))
    assert found.samples.force == pytest.approx(force_n, abs=6e-4)
    assert found.samples.position - way * 30 == pytest.approx(travel_mm, abs=6e-4)
    assert len([note for note in found.notes if "--negate" in note]) == len(said)


def test_a_pull_that_is_larger_than_the_press_before_it_keeps_the_signs(tmp_path) -> None:
    """A cap that is pressed on and pulled off: nothing in it says which of both ways is the press."""
    travel_mm = np.interp(np.arange(ROWS), [0, ROWS // 2, ROWS - 1], [0, 6, 0])
    force_n = np.interp(np.arange(ROWS), [0, ROWS // 2, 3 * ROWS // 4, ROWS - 1], [0, 10, -24, 0])
    found = imported(tmp_path, HEAD + rows(TIME_S, travel_mm, force_n))
    assert found.samples.force == pytest.approx(force_n, abs=6e-4)
    assert found.samples.position == pytest.approx(travel_mm, abs=6e-4)


def test_one_spike_does_not_decide_the_sign(tmp_path) -> None:
    force_n = -FORCE_N
    force_n[len(force_n) // 2] = 3 * FORCE_N.max()
    assert imported(tmp_path, HEAD + rows(TIME_S, -TRAVEL_MM, force_n)).samples.force.min() < -FORCE_N.max()


@pytest.mark.parametrize("sense", ["compression", "tension"])
def test_a_break_behind_which_the_platen_goes_on_far_does_not_decide_the_sign(tmp_path, sense) -> None:
    travel_mm = np.linspace(0, 40, ROWS)
    force_n = np.where(travel_mm < 6, 5 * travel_mm, 0.1)
    for way in (1, -1):
        found = imported(tmp_path, HEAD + rows(TIME_S, way * travel_mm, way * force_n), sense=sense)
        turned = way if sense == "tension" else 1
        assert found.samples.position == pytest.approx(turned * travel_mm, abs=6e-4)
        assert found.samples.force == pytest.approx(turned * force_n, abs=6e-4)


def test_a_pull_keeps_both_signs_and_has_channels_turned_that_disagree(tmp_path) -> None:
    for way, push in ((1, 1), (-1, -1)):
        found = imported(tmp_path, HEAD + rows(TIME_S, way * TRAVEL_MM, push * FORCE_N), sense="tension")
        assert found.samples.force == pytest.approx(push * FORCE_N, abs=2e-4)
        assert found.samples.position == pytest.approx(way * TRAVEL_MM, abs=2e-4)
    for way, push in ((1, -1), (-1, 1)):
        found = imported(tmp_path, HEAD + rows(TIME_S, way * TRAVEL_MM, push * FORCE_N), sense="tension")
        assert found.samples.force == pytest.approx(FORCE_N, abs=2e-4)
        assert found.samples.position == pytest.approx(TRAVEL_MM, abs=2e-4)


def test_a_force_that_goes_both_ways_and_one_that_only_falls_to_zero_keep_their_signs(tmp_path) -> None:
    both = np.where(TIME_S.mean() > TIME_S, FORCE_N, -FORCE_N)
    assert imported(tmp_path, HEAD + rows(TIME_S, TRAVEL_MM, both)).samples.force == pytest.approx(
        both, abs=2e-4
    )
    falling = imported(tmp_path, HEAD + rows(TIME_S, TRAVEL_MM, FORCE_N.max() - FORCE_N)).notes
    assert not any("--negate-force" in note for note in falling)
    assert not any("--negate" in note for note in imported(tmp_path, HEAD + PLAIN).notes)


def test_a_unit_may_stand_behind_a_point(tmp_path) -> None:
    found = imported(tmp_path, "Time.ms,Disp.um,Load.kN\n" + rows(TIME_S, TRAVEL_MM, FORCE_N))
    assert {kind: choice.unit for kind, choice in found.taken.items()} == {
        "time": "ms", "position": "um", "force": "kN",
    }  # fmt: skip


def test_what_one_count_or_volt_is_makes_a_table_of_them_usable(tmp_path) -> None:
    text = "Time (s),Encoder (counts),Load [V]\n" + rows(TIME_S, TRAVEL_MM * 200, FORCE_N / 50, decimals=6)
    with pytest.raises(InputError) as refusal:
        imported(tmp_path, text)
    assert '--position "Encoder (counts):0.01 mm" --force "Load [V]:0.01 N"' in str(refusal.value)
    assert "if 'Encoder (counts)' is the position and one of it is 0.01 mm" in str(refusal.value)
    position, force = parse_column("Encoder (counts):0.005 mm"), parse_column("#3:50 N")
    found = imported(tmp_path, text, position=position, force=force)
    assert found.samples.position == pytest.approx(TRAVEL_MM, abs=1e-6)
    assert found.samples.force == pytest.approx(FORCE_N, abs=1e-4)
    assert found.samples.position_channel.unit == "mm"
    with pytest.raises(InputError, match="expected a size above zero"):
        parse_column("#3:0 N")


AGAIN_S = np.concatenate([TIME_S, TIME_S, TIME_S])
TWICE = [np.tile(column, 3) for column in (TRAVEL_MM, FORCE_N)]
ON_S = np.arange(3 * ROWS) * 0.02


def test_a_clock_that_begins_again_at_each_cycle_goes_on(tmp_path) -> None:
    cycle = np.repeat([1.0, 2.0, 3.0], ROWS)
    found = imported(tmp_path, "Time (s),Disp (mm),Load (N),Cycle\n" + rows(AGAIN_S, *TWICE, cycle))
    assert found.samples.time_us == pytest.approx(ON_S * 1e6)
    assert any("the clock begins again 2 times, where column 'Cycle' counts on" in x for x in found.notes)
    parts = [f"Cycle {n}\n{HEAD}{PLAIN}" for n in (1, 2, 3)]
    titled = imported(tmp_path, "".join(parts))
    assert titled.samples.time_us == pytest.approx(ON_S * 1e6)


def test_a_clock_that_begins_again_is_refused_where_nothing_counts_on(tmp_path) -> None:
    sample = np.repeat([1.0, 2.0, 3.0], ROWS)
    for text in (
        HEAD + rows(AGAIN_S, *TWICE),
        # counts on, but not where the clock begins again
        "Time (s),Disp (mm),Load (N),Cycle\n" + rows(AGAIN_S, *TWICE, np.roll(sample, 5)),
    ):
        with pytest.raises(
            InputError, match='give --time none --rate "50 Hz"; where another recording begins'
        ):
            imported(tmp_path, text)
    named = "Time (s),Disp (mm),Load (N),Sample\n" + rows(AGAIN_S, *TWICE, sample)
    with pytest.raises(InputError, match=r"'Sample' changes from '1\.000' to '2\.000': another specimen"):
        imported(tmp_path, named)
    with pytest.raises(InputError, match="another table begins here"):
        imported(tmp_path, "".join(f"Specimen {n}\n{HEAD}{PLAIN}" for n in (1, 2)))


def test_a_second_specimen_is_refused_where_no_clock_tells_it_and_one_name_is_not(tmp_path) -> None:
    head, names = "Disp (mm),Load (N),Specimen\n", np.repeat([1.0, 2.0], ROWS)
    with pytest.raises(InputError, match=r"'Specimen' changes from '1\.000' to '2\.000'.*--until-line"):
        imported(
            tmp_path,
            head + rows(*(np.tile(values, 2) for values in (TWICE[0][:ROWS], TWICE[1][:ROWS])), names),
        )
    one = imported(tmp_path, head + rows(TWICE[0][:ROWS], TWICE[1][:ROWS], names[:ROWS]))
    assert len(one.samples) == ROWS


@pytest.mark.parametrize("heading", ["Specimen temperature (C)", "Specimen temp", "Piece count"])
def test_what_was_measured_of_a_specimen_names_none(tmp_path, heading) -> None:
    table = f"Time (s),Specimen deflection (mm),Load (N),{heading}\n"
    found = imported(tmp_path, table + rows(TIME_S, TRAVEL_MM, FORCE_N, 23 + np.arange(ROWS) // 20))
    assert found.taken["position"].column == "Specimen deflection (mm)"
    assert len(found.samples) == ROWS


@pytest.mark.parametrize("heading", ["Specimen No.", "Prüfling Nr.", "Test specimen ID", "试样编号"])
def test_a_number_or_a_name_of_a_specimen_names_one(tmp_path, heading) -> None:
    table = f"Disp (mm),Load (N),{heading}\n" + rows(
        *(np.tile(x, 2) for x in (TRAVEL_MM, FORCE_N)), ["A"] * ROWS + ["B"] * ROWS
    )
    with pytest.raises(InputError, match="changes from 'A' to 'B': another specimen"):
        imported(tmp_path, table)


def test_the_options_for_the_next_specimen_keep_what_a_count_stands_for(tmp_path) -> None:
    both = [np.tile(column, 2) for column in (TRAVEL_MM * 200, FORCE_N)]
    table = "Enc,Load (N),Specimen\n" + rows(*both, ["A"] * ROWS + ["B"] * ROWS)
    with pytest.raises(InputError, match=r'--position "#1:0\.005 mm" --force "#2:N"'):
        imported(tmp_path, table, position=parse_column("Enc:0.005 mm"))


@pytest.mark.parametrize(
    "above", ["Load cell [kN]: 5", "Load cell,5,kN\nSpeed,10,mm/min", "Preload,5,mN", "Preload,mN"]
)
def test_the_unit_of_a_number_above_a_table_is_not_that_of_its_columns(tmp_path, above) -> None:
    with pytest.raises(InputError, match=r'\'Load\' has no unit.*--force "Load:N"'):
        imported(tmp_path, f"{above}\nTime (s),Disp (mm),Load\n" + PLAIN)


def test_a_count_headed_n_stands_beside_a_force(tmp_path) -> None:
    table = "N,Time (s),Disp (mm),Load (N)\n" + rows(np.arange(ROWS) // 5, TIME_S, TRAVEL_MM, FORCE_N)
    assert imported(tmp_path, table).taken["force"].column == "Load (N)"


def test_a_heading_may_be_asked_for_as_the_file_spells_it(tmp_path) -> None:
    table = "Time (s),Disp (mm),Kraft\u2013A (N)\n" + PLAIN
    assert imported(tmp_path, table, force=parse_column("Kraft\u2013A (N):N")).samples.force == pytest.approx(
        FORCE_N
    )


def test_a_column_that_was_asked_for_without_a_unit_is_offered_without_one(tmp_path) -> None:
    with pytest.raises(InputError, match=r'--position "Disp:mm" --force "Load \(N\)" '):
        imported(tmp_path, "Disp,Load (N)\n" + rows(TRAVEL_MM, FORCE_N), force=parse_column("Load (N)"))


@pytest.mark.parametrize(("form", "first"), [("{},{}-", 1), ("({},{})", 1)])
def test_two_whole_numbers_between_a_comma_are_no_number_below_zero(tmp_path, form, first) -> None:
    table = "".join(form.format(x, 2 * x) + "\n" for x in range(1, 30))
    found = imported(
        tmp_path, table, position=parse_column("#1:mm"), force=parse_column("#2:N"), keep_signs=True
    )
    assert found.samples.position[0] == first
    assert abs(found.samples.force[-1]) == 58


def test_values_in_quotation_marks_keep_their_names() -> None:
    assert plain_text('rate="100"\n="1.5",="2"\n') == 'rate="100"\n1.5,2\n'


def test_json_with_ends_of_lines_in_its_texts_keeps_its_rows() -> None:
    for escaped in ("\\n", "\\u2028", "\\r\\n", "\u2028", "\\ud800", "\\t"):
        lines = [f'{{"t_s": {n}, "note": "a{escaped}b"}}' for n in range(4)]
        for text in ("\n".join(lines), "[" + ",\n".join(lines) + "]"):
            table = json_text(text, "log").strip().split("\n")
            assert [row.split("\t")[0] for row in table] == ["t_s", "0", "1", "2", "3"]
    assert (
        json_text('{"a": "C:\\\\new", "b": "\\ud83d\\ude00"}\n' * 3, "log").split("\n")[1]
        == "C:\\new\t\U0001f600"
    )


def test_json_of_ever_new_names_or_depths_is_refused() -> None:
    for text in (
        "\n".join(f'{{"k{n}": 1}}' for n in range(2000)),
        "[" + ",".join(f'{{"a": {{"k{n}": 1}}}}' for n in range(2000)) + "]",
    ):
        with pytest.raises(InputError, match=r"^log: found more than 1000 names"):
            json_text(text, "log")
    with pytest.raises(InputError, match="nested too deeply"):
        json_text("\n".join(['{"t_s": 1}'] + ['{"a":' * 500 + "1" + "}" * 500] * 3), "log")


def test_only_json_is_too_large_for_json(monkeypatch) -> None:
    monkeypatch.setattr("rig.tables.json_rows.LARGEST_DOCUMENT", 50)
    assert json_text("[Settings]\nspeed=5\n" + HEAD + PLAIN, "log") is None
    with pytest.raises(InputError, match="of JSON; import it in parts"):
        json_text('{"t_s": 0.1, "x_mm": 2, "F_N": 3}\n' * 3, "log")


def test_words_and_long_texts_are_no_times() -> None:
    for text in ("PT", "PT" + "9" * 5000 + "S", "apr 1 1:" + " " * 60_000 + "x"):
        assert not is_clock(text)


def test_a_compact_time_of_more_than_59_minutes_is_refused(tmp_path) -> None:
    table = "Time,Disp (mm),Load (N)\n" + rows(["20260416T107507"] * ROWS, TRAVEL_MM, FORCE_N)
    with pytest.raises(InputError, match="at most 59 minutes"):
        imported(tmp_path, table)


def test_a_travel_of_twelve_metres_is_taken_with_a_word_about_its_unit(tmp_path) -> None:
    found = imported(tmp_path, "Disp (m),Load (N)\n" + rows(TRAVEL_MM, FORCE_N))
    (note,) = (note for note in found.notes if "wrong unit" in note)
    assert "position reaches 12 m; if that is the wrong unit, give the right one with --position" in note


def test_rows_of_specimens_that_take_turns_are_refused(tmp_path) -> None:
    twice = [np.repeat(column, 2) for column in (TIME_S, TRAVEL_MM, FORCE_N)]
    table = "Specimen,Time (s),Disp (mm),Load (N)\n" + rows(["A", "B"] * ROWS, *twice)
    with pytest.raises(
        InputError, match=r"line 3, .*'Specimen' changes from 'A' to 'B': rows of several .* by turns"
    ):
        imported(tmp_path, table)
    one = "Specimen,Time (s),Disp (mm),Load (N)\n" + rows(["A"] * 2 * ROWS, *twice)
    assert any("a rounded clock" in note for note in imported(tmp_path, one).notes)


def test_the_next_specimen_in_a_column_is_read_as_the_refusal_says(tmp_path) -> None:
    both = [np.tile(column, 2) for column in (TIME_S, TRAVEL_MM, FORCE_N)]
    table = "Part,Time (s),Disp (mm),Load (N)\n" + rows(np.repeat(["A", "B"], ROWS).tolist(), *both)
    with pytest.raises(InputError, match="another specimen") as refusal:
        imported(tmp_path, table)
    options = f'Type: --until-line {ROWS + 1} or: --skip-rows {ROWS + 1} --time "#2:s" '
    assert options + '--position "#3:mm" --force "#4:N"' in str(refusal.value)


def test_a_few_rows_of_results_below_are_left_out_and_another_recording_is_refused(tmp_path) -> None:
    long = HEAD + rows(np.arange(3 * ROWS) * 0.02, *TWICE)
    found = imported(tmp_path, long + "\nCycle,Peak (N),Energy (mJ)\n1,47.2,300\n2,46.9,290\n")
    assert len(found.samples) == 3 * ROWS
    assert any("3 lines below the table left out" in note for note in found.notes)
    for other in ("\nTime (s),Peak (N),Energy (mJ)\n1,47.2,300\n", "\nDisp,Load,No\n" + PLAIN):
        with pytest.raises(InputError, match="another table begins here"):
            imported(tmp_path, long + other)


def test_readings_beyond_a_range_are_left_out_and_counted_as_they_stand(tmp_path) -> None:
    force = [f"{f:.3f}" for f in FORCE_N]
    force[5], force[9], force[13], force[17] = ">4.5", "OL", ">4.5", ""
    found = imported(tmp_path, HEAD + rows(TIME_S, TRAVEL_MM, force))
    kept = np.delete(np.arange(ROWS), [5, 9, 13, 17])
    np.testing.assert_allclose(found.samples.force, FORCE_N[kept], atol=1e-6)
    (note,) = (note for note in found.notes if "cells without a reading" in note)
    assert note.endswith("cells without a reading: 2 of '>4.5', 1 of 'OL'")
    assert any("4 of 81 rows left out" in note for note in found.notes)


def test_a_name_with_a_d_before_a_number_is_no_power_of_ten() -> None:
    assert plain_text("F-90D-12,90D-12,1.5D+02,-.5d-3") == "F-90D-12,90D-12,1.5e+02,-.5e-3"
    assert plain_text("1,90D-12,3.4") == "1,90D-12,3.4"
    assert plain_text("1,5D-02;,5D+01;90D-12") == "1,5e-02;,5e+01;90D-12"


def test_blocks_of_rows_without_times_are_read_with_a_word_about_where_they_begin(tmp_path) -> None:
    block = rows(TRAVEL_MM, FORCE_N)
    found = imported(tmp_path, f"Disp (mm),Load (N)\n{block}\n\n{block}")
    assert any(
        "2 blocks" in note and "Type: --until-line 84 or: --skip-rows 84" in note for note in found.notes
    )
    assert not any("cut the rows" in note for note in imported(tmp_path, WITHOUT_TIME).notes)


def test_a_point_before_three_digits_marks_thousands_beside_decimal_commas(tmp_path) -> None:
    force_mn = [f"{v:,.0f}".replace(",", ".") for v in 1050 + 1000 * FORCE_N]
    assert all("." in cell for cell in force_mn)
    lines = (f"{t:.2f};{x:.2f}".replace(".", ",") for t, x in zip(TIME_S, TRAVEL_MM, strict=True))
    rows_of_text = "".join(f"{line};{cell}\n" for line, cell in zip(lines, force_mn, strict=True))
    found = imported(tmp_path, "Zeit (s);Weg (mm);Kraft (mN)\n" + rows_of_text)
    assert found.samples.force == pytest.approx(1050 + 1000 * FORCE_N, abs=0.51)
    assert found.samples.position == pytest.approx(TRAVEL_MM, abs=0.006)


def test_a_line_of_more_columns_than_any_logger_writes_is_refused_before_each_is_looked_up():
    headings = ",".join(f"c{number}" for number in range(200_000))
    with pytest.raises(InputError, match="line 1: found 200000 columns, expected at most 1000"):
        lay_out(f"{headings}\n{'1,' * 200_000}\n", "wide.csv")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("20,1e308,5", "'Pos .mm.': found '1e308'; expected a position of"),
        ("20,3,-1e200", "'Force .N.': found '-1e200'; expected a force of"),
    ],
)
def test_a_value_that_no_press_has_is_refused_with_its_place(tmp_path, row, words) -> None:
    text = "Time (s),Pos (mm),Force (N)\n" + "".join(f"{n},{n},{n}\n" for n in range(20)) + f"{row}\n"
    with pytest.raises(InputError, match=f"line 22, column {words}"):
        imported(tmp_path, text)


@pytest.mark.parametrize("sign", [",", " ", "(", ")", "-"])
def test_a_long_line_above_rows_between_blanks_costs_no_more_than_its_length(sign) -> None:
    # what looks for headings in it tries several ways to cut it, which once took minutes
    line = "a" + sign * 60_000 + "b"
    table = lay_out(
        line + "\n" + rows(TIME_S, TRAVEL_MM, FORCE_N, sep="  "), "long.txt", delimiter="whitespace"
    )
    assert len(table.lines) == ROWS


def test_lines_above_a_table_cost_no_more_than_their_length(tmp_path) -> None:
    above = "\n".join(("height:" + " " * 380, "a" * 390, "_" * 390)) + "\n"
    path = tmp_path / "table.csv"
    path.write_text(above * 150 + READ["strain and stress"], encoding="utf-8")
    with pytest.raises(InputError, match="needs the free height"):
        import_table(path)
