"""Trees of files like those that the kernel of a small board shows.

Made from the sources that `stillair.sensing.board_files` names: no board was at hand.
"""

from __future__ import annotations

from pathlib import Path


class BoardTree:
    """The root of such a tree; each method puts one thing there."""

    def __init__(self, root: Path, *, model: str = "Single-board computer, model 4") -> None:
        self.root = root
        root.mkdir(parents=True, exist_ok=True)
        if model:
            self.put("proc/device-tree/model", f"{model}\0")

    def put(self, path: str, text: str) -> Path:
        file = self.root / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text)
        return file

    def throttled(self, bits: int) -> None:
        self.put("sys/devices/platform/soc/soc:firmware/get_throttled", f"{bits:x}\n")

    def monitor(self, alarm: int, *, name: str = "rpi_volt") -> None:
        self.put("sys/class/hwmon/hwmon0/name", "cpu_thermal\n")
        self.put("sys/class/hwmon/hwmon1/name", f"{name}\n")
        self.put("sys/class/hwmon/hwmon1/in0_lcrit_alarm", f"{alarm}\n")

    def zone(self, temperature_c: float, *, critical_c: float | None = None, n: int = 0) -> None:
        zone = f"sys/class/thermal/thermal_zone{n}"
        self.put(f"{zone}/type", "cpu-thermal\n")
        self.put(f"{zone}/temp", f"{round(temperature_c * 1000)}\n")
        if critical_c is not None:
            self.put(f"{zone}/trip_point_0_type", "critical\n")
            self.put(f"{zone}/trip_point_0_temp", f"{round(critical_c * 1000)}\n")

    def own_clock(self, since_epoch_s: float) -> None:
        self.put("sys/class/rtc/rtc0/since_epoch", f"{round(since_epoch_s)}\n")

    def memory(self, total_kib: int, available_kib: int, *swaps: str, limit: str = "") -> None:
        self.put(
            "proc/meminfo",
            f"MemTotal:      {total_kib:>9} kB\nMemFree:            9000 kB\n"
            f"MemAvailable:  {available_kib:>9} kB\n",
        )
        rows = "".join(f"{name} partition 102396 0 100\n" for name in swaps)
        self.put("proc/swaps", f"Filename Type Size Used Priority\n{rows}")
        if limit:
            self.put("proc/self/cgroup", "0::/system.slice/stillair.service\n")
            self.put("sys/fs/cgroup/system.slice/stillair.service/memory.max", f"{limit}\n")
            self.put("sys/fs/cgroup/system.slice/memory.max", "max\n")

    def time_service(self, *, synchronized: bool) -> None:
        folder = self.root / "run/systemd/timesync"
        folder.mkdir(parents=True, exist_ok=True)
        if synchronized:
            (folder / "synchronized").touch()

    def one_wire(self, *names: str) -> Path:
        bus = self.root / "sys/bus/w1/devices"
        bus.mkdir(parents=True, exist_ok=True)
        for name in names:
            (bus / name).mkdir(exist_ok=True)
        return bus

    def camera(self, number: int, name: str, part: str = "by-id") -> Path:
        """A camera at /dev/videoN, and udev's lasting name of it."""
        device = self.put(f"dev/video{number}", "")
        link = self.root / "dev/v4l" / part / name
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(f"../../video{number}")
        assert link.resolve() == device.resolve()
        return link
