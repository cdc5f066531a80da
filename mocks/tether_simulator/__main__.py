"""Run the simulated bench by hand: ``python -m tether_simulator --port 15740``."""

from __future__ import annotations

import argparse
from pathlib import Path

from tether.film import FILM_FORMATS, FilmProcess
from tether_simulator.bench import BenchConfig
from tether_simulator.faults import KINDS, parse
from tether_simulator.imaging.sensor import SensorConfig
from tether_simulator.ptpip.operations import Identity
from tether_simulator.server import BenchHost

HELP = """Commands, one a line:
  go FRAME      bring a frame into the gate        open          take the film out
  lamp on|off   switch the lamp                    press         the camera's own button
  mishap CODE   let something go wrong             mishaps       list what can
  right CODE    put one thing right                clear         put everything right
  battery PCT   charge or empty the battery        reload        load the strip the right way
  blank         lay blank film into the gate       fault KIND field=value ...
  quit
"""


def main() -> None:
    """Start a bench and take commands until the end of input."""
    options = _options()
    sensor = SensorConfig(width=options.width, height=options.height)
    config = BenchConfig(
        process=FilmProcess(options.process), film_format=FILM_FORMATS[options.format],
        frames=options.frames, seed=options.seed, sensor=sensor,
    )  # fmt: skip
    server = BenchHost(
        config,
        port=options.port,
        card=options.card,
        capacity=options.capacity,
        battery=options.battery,
        identity=Identity(extended=not options.plain),
        faults=tuple(parse(text) for text in options.fault),
    )
    print(server.port_name(), flush=True)
    print(HELP, flush=True)
    try:
        _take_commands(server)
    except KeyboardInterrupt:
        pass
    finally:
        server.close()


def _options() -> argparse.Namespace:
    kinds = ", ".join(kind.__name__ for kind in KINDS)
    parser = argparse.ArgumentParser(prog="python -m tether_simulator", description=main.__doc__)
    parser.add_argument("--port", type=int, default=0, help="0 takes a free port")
    parser.add_argument("--card", type=Path, help="folder that keeps the card")
    parser.add_argument("--capacity", type=int, help="bytes that the card holds")
    parser.add_argument("--battery", type=float, default=100.0, help="per cent")
    parser.add_argument("--plain", action="store_true", help="without the vendor's extension")
    parser.add_argument(
        "--process", default=FilmProcess.BW_NEGATIVE.value, choices=[p.value for p in FilmProcess]
    )
    parser.add_argument("--format", default="135", choices=list(FILM_FORMATS))
    parser.add_argument("--frames", type=int, default=36)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--width", type=int, default=SensorConfig().width)
    parser.add_argument("--height", type=int, default=SensorConfig().height)
    parser.add_argument("--fault", action="append", default=[], help=f"a fault: {kinds}")
    return parser.parse_args()


def _take_commands(server: BenchHost) -> None:
    while True:
        try:
            line = input().strip()
        except EOFError:
            return
        if line == "quit":
            return
        try:
            said = _command(server, line)
        except (ValueError, TypeError) as error:
            said = str(error)
        print(said or "done", flush=True)


def _command(server: BenchHost, line: str) -> str:
    verb, _, rest = line.partition(" ")
    plain = {"open": "remove_film", "blank": "lay_blank", "reload": "reload", "clear": "clear"}
    if verb in plain:
        server.hand(plain[verb])
    elif verb == "mishap":
        server.mishap(rest)
    elif verb == "right":
        server.put_right(rest)
    elif verb == "go":
        server.hand("go_to", int(rest))
    elif verb == "lamp":
        server.hand("lamp", rest == "on")
    elif verb == "mishaps":
        return "\n".join(f"{code}: {label}" for code, label, _ in server.mishaps())
    elif verb == "press":
        server.press_button()
    elif verb == "battery":
        server.set_battery(float(rest))
    elif verb == "fault":
        server.install(parse(rest))
    elif verb:
        return HELP
    return ""


if __name__ == "__main__":
    main()
