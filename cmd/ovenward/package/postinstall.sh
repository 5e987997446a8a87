#!/bin/sh
# Runs after the files are there, at a first installation and at an upgrade. It
# starts nothing that was not running: a configuration must be written first.
set -e
getent group dialout >/dev/null || groupadd --system dialout || true
if [ -d /run/systemd/system ]; then
  systemctl daemon-reload || true
  # The new version brings the record to its newest form and keeps all of it.
  systemctl try-restart ovenward-clock.service ovenward.service || true
fi
if command -v udevadm >/dev/null; then
  udevadm control --reload >/dev/null 2>&1 || true
fi
