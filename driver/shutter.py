"""Shutter, plate lamp and interlock on the motion controller's line."""

from __future__ import annotations

from driver.controller import Controller
from driver.faults import DeviceFault, FaultCode
from driver.phrases import ControllerState


class SerialInterlock:
    """The interlock circuit as the controller reports it. It acts in hardware; this only looks."""

    def __init__(self, controller: Controller) -> None:
        self._controller = controller

    def is_closed(self) -> bool:
        """Say whether the circuit is known to be closed (laser permitted); not reported means no."""
        return self._controller.state("look at the interlock").interlock_closed is True


class SerialShutter:
    """Fulfils :class:`driver.protocols.Shutter` and ``WatchedShutter``.

    It trusts the shutter's own switch, not the command.
    """

    def __init__(self, controller: Controller) -> None:
        self._controller = controller
        self._requests = controller.table.requests

    def open(self) -> None:
        """Let the beam through; refused while the interlock is open or unknown.

        Raises
        ------
        DeviceFault
            INTERLOCK_OPEN before it is commanded; SHUTTER_MISMATCH after it was told to close again. After a
            fault, the code of that fault: nothing is measured with axes that have to be homed.
        """
        controller, asked = self._controller, "open the shutter"
        words = self._phrase(self._requests.shutter_open, asked)
        self._require_interlock(controller.state(asked), asked)
        if (fault := controller.fault) is not None:
            came = f"refused because of the earlier fault: {fault}"
            raise controller.error(fault.code, asked, came, "home and verify again first")
        controller.beam_blocked = False
        try:
            controller.command(words, asked)
            self._await_switch(True, asked)
        except BaseException as problem:
            try:
                self.close()
            except DeviceFault as second:
                problem.add_note(f"and then: {second}")
            raise

    def close(self) -> None:
        """Block the beam: sent until acknowledged, then its switch is looked at; bounded.

        Raises
        ------
        DeviceFault
            When it is not known that the shutter is closed: switch the laser off.
        """
        asked = "close the shutter"
        words = self._phrase(self._requests.shutter_closed, asked)
        if not self._controller.was_connected:
            raise self._controller.error(
                FaultCode.LINE_LOST, asked, "the line was never opened", "switch the laser off at its own key"
            )
        self._controller.beam_blocked = False
        self._controller.urge(words, asked)
        self._await_switch(False, asked)
        self._controller.beam_blocked = True

    def require_open(self) -> None:
        """See that the shutter is open still, as it was told.

        Raises
        ------
        DeviceFault
            INTERLOCK_OPEN or SHUTTER_MISMATCH where it has closed by itself: frames taken since may be dark.
        """
        controller, asked = self._controller, "keep the shutter open"
        with controller.latching():
            state = controller.state(asked)
            self._require_interlock(state, asked)
            if state.shutter_open is not True:
                raise controller.error(
                    FaultCode.SHUTTER_MISMATCH, asked, f"it has closed by itself: {state.words!r}"
                )

    def is_open(self) -> bool:
        """Return the state of the shutter's own switch."""
        return self._controller.state("look at the shutter").shutter_open is True

    def _phrase(self, phrase: str | None, asked: str) -> str:
        if phrase is None:
            raise self._controller.error(
                FaultCode.REFUSED_BY_CONTROLLER,
                asked,
                f"the phrase table {self._controller.table.title!r} has no shutter",
                "name another shutter in the bench file, or a table that has one",
            )
        return phrase.format()

    def _require_interlock(self, state: ControllerState, asked: str) -> None:
        if self._controller.table.interlock == "reported" and state.interlock_closed is not True:
            raise self._controller.error(FaultCode.INTERLOCK_OPEN, asked, f"refused; {state.words!r}")

    def _await_switch(self, want_open: bool, asked: str) -> None:
        controller = self._controller
        last: list[ControllerState] = []

        def arrived() -> bool:
            # A controller that lost its home can still close its shutter.
            last[:] = [controller.state(asked) if want_open else controller.look(asked)]
            return last[0].shutter_open is want_open

        with controller.latching():
            if controller.wait(controller.timing.shutter_s, arrived):
                return
            if want_open:
                self._require_interlock(last[0], asked)
            raise controller.error(
                FaultCode.SHUTTER_MISMATCH, asked, f"the shutter's own switch says {last[0].words!r}"
            )


class SerialLamp:
    """Fulfils :class:`driver.protocols.Lamp`."""

    def __init__(self, controller: Controller) -> None:
        self._controller = controller

    def on(self) -> None:
        """Light the plates."""
        self._switch(self._controller.table.requests.lamp_on, True)

    def off(self) -> None:
        """Darken the plates."""
        self._switch(self._controller.table.requests.lamp_off, False)

    def _switch(self, phrase: str | None, want_on: bool) -> None:
        controller = self._controller
        asked = f"switch the lamp {'on' if want_on else 'off'}"
        if phrase is None:
            raise controller.error(
                FaultCode.REFUSED_BY_CONTROLLER,
                asked,
                f"the phrase table {controller.table.title!r} has no lamp",
                "leave the lamp out of the bench file, or name a table that has one",
            )
        controller.command(phrase.format(), asked)
        last: list[ControllerState] = []

        def arrived() -> bool:
            last[:] = [controller.state(asked)]
            return last[0].lamp_on in (want_on, None)

        if not controller.wait(controller.timing.shutter_s, arrived):
            raise controller.error(FaultCode.LAMP_MISMATCH, asked, f"the controller says {last[0].words!r}")
