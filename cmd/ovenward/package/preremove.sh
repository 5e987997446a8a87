#!/bin/sh
# deb: $1 is remove or upgrade; rpm: it is 0 at a removal and 1 at an upgrade. The
# record and the configuration stay.
set -e
case "${1:-}" in
remove | 0)
  if [ -d /run/systemd/system ]; then
    systemctl disable --now ovenward.service || true
    systemctl stop ovenward-clock.service || true # it may have been started by hand
  fi
  ;;
esac
