"""The invented boat's configuration, as her owner would have written it.

May import: the simulator's own.
"""

from pathlib import Path

from lugwatch.simulator.air import Space
from lugwatch.simulator.boat import AIR_PROBES, SimulatedBoat
from lugwatch.simulator.onewire_tree import address

TREE_FOLDER = "w1"
NODE_LINK = Path("dev") / "shunt-node"
TOPIC_PREFIX = "wheatear/power"


def addresses(boat: SimulatedBoat) -> dict[str, str]:
    """Probe id -> one-wire address, of the probes on that bus."""
    first = 0x00000A51C000 + 0x100 * boat.seed
    onewire = [p.channel for p in boat.probes if p.bus == "onewire"]
    return {channel: address(first + 7 * i) for i, channel in enumerate(onewire)}


def transducer(channel: str) -> str:
    """The name of a channel in the node's sentences."""
    return channel.upper()


def topic(channel: str) -> str:
    """Where a current is published."""
    return f"{TOPIC_PREFIX}/{channel}"


def configuration_text(
    boat: SimulatedBoat, directory: Path, broker_address: tuple[str, int], *, web_port: int = 8037
) -> str:
    """The TOML text for this boat when her devices live in `directory`."""
    host, port = broker_address
    parts = [
        "# An invented boat, made by the simulator: nothing here is anybody's.\n"
        f'[boat]\nname = "{boat.name}"\n',
        f'[mqtt]\nhost = "{host}"\nport = {port}\n',
        f"[web]\nport = {web_port}\n",
        f'[onewire]\npath = "{TREE_FOLDER}"\n',
        *_probes(boat, directory),
        *_currents(boat, directory),
        *_joints(boat),
    ]
    return "\n".join(parts)


def _probes(boat: SimulatedBoat, directory: Path) -> list[str]:
    known = addresses(boat)
    names = {j.joint: j.name for j in boat.joints}
    names |= {"air_machinery": "Air in the machinery space", "air_locker": "Air in the battery locker"}
    texts = []
    for probe in boat.probes:
        text = f'[[probe]]\nid = "{probe.channel}"\nname = "{names[probe.channel]}"\nsource = "{probe.bus}"\n'
        if probe.bus == "onewire":
            text += f'address = "{known[probe.channel]}"\n'
        else:
            text += f'device = "{directory / NODE_LINK}"\ntransducer = "{transducer(probe.channel)}"\n'
        texts.append(text)
    return texts


def _currents(boat: SimulatedBoat, directory: Path) -> list[str]:
    texts = []
    for shunt in boat.shunts:
        text = f'[[current]]\nid = "{shunt.channel}"\nsource = "{shunt.bus}"\n'
        if shunt.bus == "serial":
            text += f'device = "{directory / NODE_LINK}"\ntransducer = "{transducer(shunt.channel)}"\n'
        else:
            text += f'topic = "{topic(shunt.channel)}"\njson_path = "current_amps"\n'
        text += f"rated_amps = {shunt.rated_amps:g}\n"
        texts.append(f"{text}one_way = true\n" if shunt.channel == "alternator" else text)
    return texts


def _joints(boat: SimulatedBoat) -> list[str]:
    air = {space: channel for channel, space in AIR_PROBES.items()}
    texts = []
    for joint in boat.joints:
        neighbours = ", ".join(f'"{n}"' for n in boat.neighbours(joint.joint))
        cables = [c for c in boat.cables if joint.joint in (c.start, c.end)]
        sizes = ", ".join(f"{c.mm2:g}" for c in cables)
        texts.append(
            f'[[joint]]\nid = "{joint.joint}"\nname = "{joint.name}"\nprobe = "{joint.joint}"\n'
            f'current = "{joint.current}"\nair = "{air[Space(joint.space)]}"\nneighbours = [{neighbours}]\n'
            f'rated_amps = {joint.rated_amps:g}\ncable_insulation = "{joint.limit_celsius:g}"\n'
            f"cable_mm2 = {sizes if len(cables) == 1 else f'[{sizes}]'}\n"
            f'cable_metres = {cables[-1].metres:.1f}\nstud = "{joint.stud}"\n'
        )
    return texts
