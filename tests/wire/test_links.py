#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Links through the daemon and the command line: a port found again under another
name, one port for one process, low latency, addresses.

There is no USB hardware here: /sys and /dev are a made-up tree laid out as the
kernel lays it out (WAKEDRAW_SYSTEM_ROOT), and its nodes lead to pseudo-terminals of
simulated supplies. Not tried on hardware: a real unplug, a real converter's timer,
the kernel's USBTMC driver (tests/unit/test_usbtmc.c stands in for it)."""
import json
import os
import pathlib
import shutil
import socket
import unittest

from bench_process import Daemon, Supply, config_text, main, run, temporary_folder

MODULE = "reefer-controller"


class Tree:
    """A made-up /sys and /dev."""

    def __init__(self, root):
        self.root = root
        (root / "dev").mkdir(parents=True)
        for name in ("class/tty", "class/usbmisc", "dev/char"):
            (root / "sys" / name).mkdir(parents=True)

    def node(self, name):
        return self.root / "dev" / name

    def plug_in(self, name, bus, number=None, timer_ms=None):
        """Behind the node NAME, which is there by now: a USB device."""
        usbtmc = name.startswith("usbtmc")
        kind = "usbmisc" if usbtmc else "tty"
        device = self.root / "sys" / "devices" / "usb1" / bus
        port = device / f"{bus}:1.0" / ("" if usbtmc else name)
        entry = port / kind / name
        entry.mkdir(parents=True)
        (entry / "device").symlink_to("../..")
        (device / f"{bus}:1.0" / "bInterfaceNumber").write_text("00\n")
        (device / "idVendor").write_text("0403\n")
        (device / "idProduct").write_text("6001\n")
        if number:
            (device / "serial").write_text(number + "\n")
        if timer_ms is not None:
            (port / "latency_timer").write_text(f"{timer_ms}\n")
        status = os.stat(self.node(name))
        by_class = self.root / "sys" / "class" / kind / name
        by_class.symlink_to(entry)
        by_number = (self.root / "sys" / "dev" / "char" /
                     f"{os.major(status.st_rdev)}:{os.minor(status.st_rdev)}")
        by_number.unlink(missing_ok=True)
        by_number.symlink_to(by_class)

    def pull_out(self, name, bus):
        shutil.rmtree(self.root / "sys" / "devices" / "usb1" / bus)
        for kind in ("tty", "usbmisc"):
            (self.root / "sys" / "class" / kind / name).unlink(missing_ok=True)


def has_ipv6():
    try:
        with socket.socket(socket.AF_INET6) as place:
            place.bind(("::1", 0))
    except OSError:
        return False
    return True


class Links(unittest.TestCase):
    def setUp(self):
        folder = temporary_folder()
        self.addCleanup(folder.cleanup)
        self.folder = pathlib.Path(folder.name)
        self.tree = Tree(self.folder / "root")
        os.environ["WAKEDRAW_SYSTEM_ROOT"] = str(self.tree.root)
        self.addCleanup(os.environ.pop, "WAKEDRAW_SYSTEM_ROOT")

    def supply(self, name, link, profile="scpi", *options):
        supply = Supply(self.folder, name, "--module", MODULE, "--output-on", *options, link=link,
                        profile=profile)
        self.addCleanup(supply.stop)
        return supply

    def daemon(self, supplies):
        daemon = Daemon(self.folder, config_text(self.folder, supplies))
        self.addCleanup(daemon.stop)
        return daemon

    def reads(self, daemon, name, volts):
        """It is read, and all of it is this supply's."""
        daemon.wait_readings(name, fits=lambda item: item["voltage_V"] is not None and
                             abs(item["voltage_V"] - volts) < 0.2)
        return daemon.supply(name)

    def test_a_name_that_leads_to_another_port_after_a_replug(self):
        by_id = self.folder / "by-id"
        first = self.supply("first", f"serial:{self.folder}/portA", "scpi", "--voltage", "23")
        by_id.symlink_to("portA")
        daemon = self.daemon({"left": (f"serial:{by_id}", "profile = scpi")})
        self.assertEqual(self.reads(daemon, "left", 23)["device"],
                         os.path.realpath(self.folder / "portA"))
        first.stop()
        daemon.wait_supply("left", lambda item: item["state"] == "gone" and item["problem"])
        self.supply("second", f"serial:{self.folder}/portB", "scpi", "--voltage", "24")
        by_id.unlink()
        by_id.symlink_to("portB")
        self.assertEqual(self.reads(daemon, "left", 24)["device"],
                         os.path.realpath(self.folder / "portB"))

    def check_replug(self, kind, profile, refusal):
        name = self.tree.node("ttyUSB0")
        ours = self.supply("ours", f"{kind}:{name}", profile, "--voltage", "23")
        self.tree.plug_in("ttyUSB0", "1-2", "HL00A1")
        daemon = self.daemon({"left": (f"{kind}:{name}", f"profile = {profile}\ncontrol = on")})
        item = self.reads(daemon, "left", 23)
        self.assertEqual(item["usb_serial"], "HL00A1")
        ours.stop()
        self.tree.pull_out("ttyUSB0", "1-2")
        item = daemon.wait_supply("left", lambda item: item["state"] == "gone" and
                                  item["problem"])
        self.assertIsNone(item["device"])
        # Another one takes its name.
        other = self.supply("other", f"{kind}:{name}", profile, "--voltage", "19", "--identity",
                            "Harbour Lane,another,2,1.0")
        self.tree.plug_in("ttyUSB0", "1-3", "HL00B2")
        item = daemon.wait_supply("left", lambda item: refusal in (item["problem"] or ""))
        self.assertEqual(item["state"], "gone")
        readings = item["readings"]
        # It has got another name.
        again = self.supply("again", f"{kind}:{self.tree.node('ttyUSB1')}", profile,
                            "--voltage", "24")
        self.tree.plug_in("ttyUSB1", "1-2", "HL00A1")
        events = daemon.events()
        item = self.reads(daemon, "left", 24)
        self.assertEqual(item["usb_serial"], "HL00A1")
        self.assertEqual(item["device"], str(self.tree.node("ttyUSB1")))
        # Of the other nothing was read.
        volts = [volts for _ in range(5) for volts in events.wait(
            "reading", lambda data: data["supply"] == "left")["voltage_V"]]
        events.close()
        self.assertGreater(item["readings"], readings)
        self.assertEqual([value for value in volts if value is not None and value < 21], [])
        # Nor is it switched: an off for ours goes to no other.
        again.stop()
        self.tree.pull_out("ttyUSB1", "1-2")
        daemon.wait_supply("left", lambda item: refusal in (item["problem"] or ""))
        status, _ = daemon.ask("PUT", "supplies/left/output", {"on": False})
        self.assertEqual(status, 503)
        self.assertTrue(json.loads(other.say("status"))["output_on"])

    def test_scpi_is_found_again_by_its_usb_number(self):
        self.check_replug("serial", "scpi", "answers on another USB device")

    def test_modbus_is_found_again_by_its_usb_number(self):
        self.check_replug("modbus-rtu", "modbus-holding-u16", "is now USB device 0403:6001")

    def test_usbtmc_is_found_again_by_its_usb_number(self):
        # A terminal stands in for the device; "serial" is how the simulation makes one.
        ours = self.supply("ours", f"serial:{self.tree.node('usbtmc0')}", "scpi", "--voltage", "23")
        self.tree.plug_in("usbtmc0", "1-2", "TM77")
        daemon = self.daemon({"left": (f"usbtmc:{self.tree.node('usbtmc0')}", "profile = scpi")})
        self.assertEqual(self.reads(daemon, "left", 23)["usb_serial"], "TM77")
        ours.stop()
        self.tree.pull_out("usbtmc0", "1-2")
        daemon.wait_supply("left", lambda item: item["state"] == "gone" and item["problem"])
        self.supply("again", f"serial:{self.tree.node('usbtmc1')}", "scpi", "--voltage", "24")
        self.tree.plug_in("usbtmc1", "1-2", "TM77")
        item = self.reads(daemon, "left", 24)
        self.assertIsNone(item["low_latency"])

    def test_written_by_its_usb_number(self):
        daemon = self.daemon({
            "left": ("serial:usb-serial=HL00A1?baud=9600", "profile = scpi"),
            "right": ("usbtmc:usb-serial=TM77", "profile = scpi"),
            "far": ("modbus-rtu:usb-serial=HL00C3?address=1", "profile = modbus-holding-u16")})
        for name, number in (("left", "HL00A1"), ("right", "TM77"), ("far", "HL00C3")):
            daemon.wait_supply(name, lambda item: f"USB serial number {number} is plugged in" in
                               (item["problem"] or ""))
        for place, (name, kind, node, number) in enumerate((
                ("left", "serial", "ttyUSB3", "HL00A1"), ("right", "serial", "usbtmc2", "TM77"),
                ("far", "modbus-rtu", "ttyACM0", "HL00C3"))):
            profile = "modbus-holding-u16" if name == "far" else "scpi"
            self.supply(name, f"{kind}:{self.tree.node(node)}", profile, "--voltage", "23")
            self.tree.plug_in(node, f"1-{place}", number)
            self.assertEqual(self.reads(daemon, name, 23)["usb_serial"], number)

    def test_low_latency_is_shown(self):
        supplies = {}
        for place, (name, timer_ms) in enumerate((("fast", 1), ("slow", 16), ("plain", None))):
            node = self.tree.node(f"ttyUSB{place}")
            self.supply(name, f"serial:{node}")
            self.tree.plug_in(node.name, f"1-{place}", None, timer_ms)
            supplies[name] = (f"serial:{node}", "profile = scpi")
        supplies["wire"] = (self.supply("wire", "tcp:127.0.0.1:0").link, "profile = scpi")
        daemon = self.daemon(supplies)
        for name, told in (("fast", "on"), ("slow", "off"), ("plain", "not offered"),
                           ("wire", None)):
            item = daemon.wait_supply(name, lambda item: item["state"] == "reading")
            self.assertEqual((name, item["low_latency"]), (name, told))
        daemon.stop()
        asked = run("identify", "--profile", "scpi", "--readings", "3", supplies["slow"][0])
        self.assertIn("low latency of the converter: off", asked.stdout)
        asked = run("identify", "--profile", "scpi", "--readings", "3", "--json",
                    supplies["fast"][0])
        self.assertEqual(json.loads(asked.stdout.splitlines()[-1])["low_latency"], "on")

    def test_one_port_for_one_process(self):
        # Two daemons on one TCP supply cannot be kept apart: it takes both.
        port = self.tree.node("ttyUSB0")
        self.supply("serial", f"serial:{port}")
        self.tree.plug_in("ttyUSB0", "1-2", "HL00A1")
        self.supply("usbtmc", f"serial:{self.tree.node('usbtmc0')}")
        self.tree.plug_in("usbtmc0", "1-3", "TM77")
        self.supply("modbus", f"modbus-rtu:{self.folder}/terminal", "modbus-holding-u16")
        daemon = self.daemon({
            "serial": (f"serial:{port}", "profile = scpi"),
            "usbtmc": (f"usbtmc:{self.tree.node('usbtmc0')}", "profile = scpi"),
            "modbus": (f"modbus-rtu:{self.folder}/terminal", "profile = modbus-holding-u16")})
        daemon.wait_readings("serial", "usbtmc", "modbus")
        alias = self.folder / "alias"
        alias.symlink_to(port)
        for link, profile in ((f"serial:{port}", "scpi"), (f"serial:{alias}", "scpi"),
                              ("serial:usb-serial=HL00A1", "scpi"),
                              ("usbtmc:usb-serial=TM77", "scpi"),
                              (f"usbtmc:{self.tree.node('usbtmc0')}", "scpi"),
                              (f"modbus-rtu:{self.folder}/terminal", "modbus-holding-u16")):
            asked = run("identify", "--profile", profile, link)
            self.assertEqual(asked.returncode, 69, link)
            self.assertIn("is in use by another process", asked.stderr)
            self.assertIn(link, asked.stderr)
        # Who came first was not disturbed.
        daemon.wait_readings("serial", "usbtmc", "modbus")
        for name in ("serial", "usbtmc", "modbus"):
            self.assertEqual(daemon.supply(name)["resynchronised"], 0)

    def check_read(self, link, profile):
        asked = run("identify", "--profile", profile, "--readings", "5", link)
        self.assertEqual(asked.returncode, 0, asked.stderr)
        self.assertEqual(asked.stdout.count(" V "), 5, asked.stdout)

    def test_hosts_by_name(self):
        for kind, profile in (("tcp", "scpi"), ("modbus-tcp", "modbus-holding-u16"),
                              ("modbus-rtu-tcp", "modbus-holding-u16")):
            supply = self.supply(kind, f"{kind}:127.0.0.1:0", profile)
            self.check_read(supply.link.replace("127.0.0.1", "localhost"), profile)
        asked = run("identify", "--profile", "scpi", "tcp:no-such-host.invalid:5025")
        self.assertEqual(asked.returncode, 69)
        self.assertIn("no-such-host.invalid", asked.stderr)

    @unittest.skipUnless(has_ipv6(), "this machine has no ::1")
    def test_addresses_of_ipv6(self):
        for kind, profile in (("tcp", "scpi"), ("modbus-tcp", "modbus-holding-u16"),
                              ("modbus-rtu-tcp", "modbus-holding-u16")):
            supply = self.supply(kind, f"{kind}:[::1]:0", profile)
            self.assertIn("[::1]", supply.link)
            self.check_read(supply.link, profile)


if __name__ == "__main__":
    main()
