"""What happens to alerts, as alerts.proto words it, for the second opinion beside."""

STAGES = ["soon", "due", "overdue", "lapsed"]
LEVELS = ["technician", "manager", "quality"]


class Register:
    """The alerts of a site, as alerts.proto words what happens to them."""

    def __init__(self):
        self.alerts = {}
        self.log = {}

    def note(self, cause, step, kind):
        alert = self.alerts[cause]
        due_on = alert["due_on"]
        entry = (step, alert["stage"], alert["level"], alert["state"], due_on and str(due_on))
        self.log.setdefault(cause, []).append(entry)

    def look(self, wants, calendar, step, now):
        """Brings it up to date; gives the moments ahead at which something begins."""
        ahead = []
        for cause, want in wants.items():
            stage, level = None, "technician"
            for words, moments in ((STAGES, want.stages), (LEVELS, want.levels)):
                for word, moment in moments:
                    moment = moment if want.urgent else calendar.loud(moment)
                    if moment > now:
                        ahead.append(moment)
                    elif words is STAGES:
                        stage = word if stage is None else max(stage, word, key=STAGES.index)
                    else:
                        level = max(level, word, key=LEVELS.index)
            if stage is None:
                self.close(cause, step)
            else:
                self.follow(cause, want, stage, level, step, now)
            alert = self.alerts.get(cause)
            if alert and alert["state"] == "snoozed" and alert["until"] > now:
                ahead.append(alert["until"])
        for cause in list(self.alerts):
            if cause not in wants:
                self.close(cause, step)
        return ahead

    def close(self, cause, step):
        alert = self.alerts.get(cause)
        if alert and alert["state"] != "closed":
            alert |= {"state": "closed", "until": None}
            self.note(cause, step, "closed")

    def follow(self, cause, want, stage, level, step, now):
        alert = self.alerts.get(cause)
        if alert is None:
            self.alerts[cause] = {"stage": stage, "level": level, "state": "open", "until": None, "due_on": want.due_on}
            self.note(cause, step, "raised")
            return
        before = dict(alert)
        grew_late = stage in ("overdue", "lapsed") and STAGES.index(stage) > STAGES.index(alert["stage"])
        state = alert["state"]
        rested = state == "snoozed" and alert["until"] <= now
        if state == "closed" or rested or (state in ("snoozed", "acknowledged") and grew_late):
            alert |= {"state": "open", "until": None}
        # Acknowledged or at rest it does not rise, unless it is late.
        if alert["state"] == "open" or stage in ("overdue", "lapsed"):
            alert["level"] = level if state == "closed" else max(level, alert["level"], key=LEVELS.index)
        alert |= {"stage": stage, "due_on": want.due_on}
        if alert != before:
            self.note(cause, step, "changed")

    def said(self, record, step):
        alert = self.alerts[record["cause"]]
        if record["until"] is None:
            alert |= {"state": "acknowledged", "until": None}
        else:
            alert |= {"state": "snoozed", "until": record["until"]}
        self.note(record["cause"], step, "said")
