"""The demo's files, as templates: ``$name`` is filled in by :mod:`contactd.config.demo`.

Satellites, stations, crew and orbits are invented.
"""

from __future__ import annotations

SETTINGS = """\
# The service's own settings. Each has a default, and those stand here; the file may be absent.
# Durations carry their units (6h 30min, 90s, 1d, or ISO 8601 PT6H30M); times are UTC with a Z.
# Unknown keys are errors. `contactd check` reads all files and says what is wrong with them.
#
# This demo was made for $made by `contactd demo`. Its satellites, stations and crew
# are invented.

horizon:
  ahead: 7d               # contacts and forecasts reach so far ahead
  back: 1d                # and so far back

planning:
  every: 1min             # the plan is rolled forward at least so often
# where: processes        # who predicts: here, processes, or a Dask scheduler (extra fleet)
# workers: 4              # so many processes, or targets handed to the scheduler at once
# polar_motion: true      # stations turn with the Earth's pole (up to 15 m; extra iers)

# store:
#   url: sqlite:////var/lib/contactd/ledger.sqlite   # or postgresql://user@host/contactd
#   password_file: secrets/pgpass     # host:port:database:user:password; never in the address
# Without it the ledger is ledger.sqlite in var beside this folder, or in /var/lib for one in /etc.
# ledger:
#   backup: {to: /srv/copies/contactd, every: 1d, keep: 14}   # copies of an SQLite ledger, verified
#   archive_after: 365d     # older records go into files beside the ledger; at least 8d
# Services on one PostgreSQL get on by themselves: one leads, the others follow and take over.
# pair:
#   name: hill              # what this one is called; by default the machine's name
#   lease: 3s               # so long the lead lasts without being renewed; 2s to 60s

http:
  host: 127.0.0.1         # loopback only, unless you say otherwise
  port: 8010
  hosts: []               # other names under which the service is asked for
  reading_needs_token: false
  # tokens_file: secrets/tokens           # who may change something; without it nobody may
  # metrics:                              # who may scrape them; by default as for reading
  #   needs_token: false                  # from this machine
  #   networks: [192.0.2.16/28]           # from there no token is needed

log:
  format: human           # or json, one object a line
  level: info             # debug, info, warning or error

# How long before a matter it is told. A target's file may say otherwise for that target.
alerts:
  contacts: needed                        # on which a step or a decision hangs; or all
  contact_lead: [10min]                   # before AOS
  contact_least_elevation_deg: 0          # lower contacts are not told
  window_lead: [0s]                       # before commands are possible in it
  closes_lead: 60s                        # before they are no more
  step_lead: [1h, 10min, 1min]            # before the earliest expiry of a step
  stop_by_lead: [1h, 10min, 2min]         # before the last moment to send a stop
  keep_clear_lead: [15min]                # before everyone must keep clear
  aos_moved: 30s                          # other elements that move AOS further are a caution
  disabled_kinds: []                      # routine kinds that are not wanted, such as step-expired

# Who is told besides the log. A channel is left out by making it a remark.
channels: []
#  - kind: webhook                          # an HTTP POST of JSON
#    name: console
#    url: https://alerts.example/contactd
#    secret_file: secrets/console           # signs each message (HMAC-SHA-256)
#    ca_file: secrets/authority.pem         # certificates to trust, if not the usual ones
#    public_only: false                     # true refuses addresses inside the own network
#    # What every channel may have:
#    least_severity: caution                # advisory, caution or warning
#    kinds: [step-uncovered]              # only these; without it all
#    targets: [Lantern 3]                   # only these; without it all
#    timeout: 10s                           # of one attempt
#    keep_trying: 6h                        # then it is given up, and told by the other channels
#    quiet_hours: {from: "22:00", to: "06:00", zone: Europe/Oslo}    # warnings come all the same
#    together: true                         # the alerts of one contact in one message …
#    gather: 20s                            # … for which the first waits so long
#    send_resolved: true
#    send_acknowledged: true
#    send_reminders: true
#  - kind: alertmanager
#    name: wall
#    url: http://127.0.0.1:9093
#    labels: {site: hill}                   # added to every alert
#  - kind: mail
#    name: mail to the lead
#    host: mail.example
#    port: 465
#    security: tls                          # from the first byte; or starttls, or none
#    user: watch
#    password_file: secrets/mail
#    sender: watch@contactd.example
#    recipients: [ada@contactd.example]
#  - kind: mqtt                             # MQTT 5, quality of service 1
#    name: panel
#    host: broker.example
#    port: 8883
#    tls: true
#    client_id: contactd-1
#    prefix: contactd/alerts                # …/warning/Lantern 3
#  - kind: executable                       # the message is on its standard input, as JSON
#    name: horn
#    command: [/usr/local/bin/horn, --loud]
#  - kind: apprise                          # needs pip install 'contactd[apprise]'
#    name: phones
#    urls_file: secrets/phones              # one of that library's URLs on each line

# What is done until somebody has an alert in hand.
acknowledgement:
  roles: []
  # - name: lead
  #   duty:
  #     - {channels: [mail to the lead], hours: {from: "06:00", to: "18:00"}}
  #     - {channels: [phones], hours: {from: "18:00", to: "06:00"}}
  escalate: []
  # - {after: 5min, to: lead, least_severity: warning}
  remind: {most: 20}                        # with warning: 5min, caution: 30min, advisory: 1d
  # links:                                  # in messages, by which a reader can acknowledge
  #   base_url: https://watch.example/acknowledge
  #   secret_file: secrets/links            # at least 16 bytes

# Where the runbook is that messages link to: each kind of alert is a heading of it. Put your own
# copy where everybody can read it.
# runbook: https://control-room.example/runbook.md

# A sign of life to somebody outside, who raises the alarm when it stays away.
# heartbeat:
#   url: https://watcher.example/contactd
#   every: 1min
#   timeout: 10s
#   public_only: true
#   ca_file: secrets/authority.pem

elements:
  stale_after: 7d         # elements older than this raise a caution
  least_interval: 2h      # an address is asked for elements no more often than this
  timeout: 20s
  size_limit: 5 MB
  public_only: false      # true refuses addresses inside the machine or its network
  adopt_corrections: false # true adopts what observed AOS, LOS and tracking data teach by itself

clock:
  tolerance: 500ms        # the wall clock is not trusted after a step greater than this
  settle: 10min           # until so long after the step
  synchronisation: watched  # losing NTP is told; with required, never having had it is, too

# How targets share stations; `contactd allocate` shows it. Without this, every contact is ours.
# station_time:
#   frozen: 2h              # what begins sooner is not moved any more
#   search_nodes: 400       # so much work goes into looking for the best: branch-and-bound nodes
#   solver: highs           # or cp-sat, which needs pip install 'contactd[allocation]'
#   requests:               # what each target asks for whose own file does not say
#     - priority: 1         # up to 1000; a contact of 10 counts as much as ten of 1
#       least_duration: 1min
"""

SKERRY_HEAD = """\
# An invented station in the north, on an island with hills to the east.
name: Skerry Head
latitude_deg: 62.31             # geodetic, WGS 84, north positive
longitude_deg: -7.12            # east positive
altitude_m: 84                  # above the ellipsoid
least_elevation_deg: 2          # nothing lower counts as in view
# signal_horizon_deg: 0.4       # the lowest from which a signal can arrive, as surveyed; only for
#                               # what observed AOS and LOS teach of the orbit
# The horizon, as [azimuth, elevation] in degrees from north through east; straight lines between.
mask: [[0, 2], [40, 3], [75, 9], [110, 11], [140, 4], [200, 2], [300, 2]]
services:
  telemetry: {least_elevation_deg: 3}
  command:
    least_elevation_deg: 8      # the transmitter may not radiate lower
    acquisition: 20s            # from AOS until a command can be sent
    guard: 10s                  # not counted on before LOS
  ranging: {least_elevation_deg: 15, acquisition: 40s}
setup: 0s                       # between the contacts of two targets: before the next
teardown: 0s                    # and after the last
"""

MESA_ROJA = """\
# An invented station on a high plain, with a flat horizon all round.
name: Mesa Roja
latitude_deg: -22.84
longitude_deg: -66.73
altitude_m: 3610
least_elevation_deg: 5
services:
  telemetry: {}
  command: {least_elevation_deg: 7, acquisition: 15s, guard: 10s}
# Once: a maintenance, with its reason.
outages:
  - {from: $gearbox_from, to: $gearbox_to, why: new gearbox for the elevation drive}
"""

GREYWATER = """\
# An invented station that listens and cannot command.
name: Greywater
latitude_deg: -41.56
longitude_deg: 146.08
altitude_m: 212
mask: [[0, 6], [90, 4], [180, 3], [250, 14], [290, 12], [330, 6]]
services:
  telemetry: {least_elevation_deg: 5, link: telemetry}   # only while the target's link suffices
# What the mount can follow: also azimuth_rate_deg_s, elevation_rate_deg_s and half_beam_deg.
antenna: {highest_elevation_deg: 87}
sun_exclusion_deg: 1                    # nothing is received with the Sun in the beam
"""

ILE_CENDRE = """\
# An invented station on an island near the equator.
name: Ile Cendre
latitude_deg: 4.27
longitude_deg: 73.94
altitude_m: 11
least_elevation_deg: 4
refraction: false               # true counts elevation with standard refraction
services:
  telemetry: {}
  command: {least_elevation_deg: 10, acquisition: 20s, guard: 15s}
# Again and again: a calendar file (RFC 5545) beside this one.
outages: ile-cendre.ics
"""

ILE_CENDRE_CALENDAR = """\
BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//Ile Cendre//Maintenance//EN
BEGIN:VEVENT
UID:weekly-greasing@ile-cendre.example
DTSTAMP:20240101T000000Z
DTSTART:20240103T030000Z
DURATION:PT1H30M
RRULE:FREQ=WEEKLY;BYDAY=WE
SUMMARY:Weekly greasing of the bearings
END:VEVENT
END:VCALENDAR
"""

LANTERN = """\
# An invented satellite that lay dormant until a visiting crew repaired it and set its timers.
#
# The timers run. Nobody on the ground can see them; the crew said when they started, to within
# $start_error. One step endangers whoever is near, and one will expire uncovered.
name: Lantern 3

elements:
  tle: |
$lantern_tle
  timing_error: {at_epoch: 0.3s, per_day: 1.5s}    # along the track; grows with the elements' age
  stale_after: 3d

# Radio links, for Doppler, margins, and the services of stations that name them.
links:
  - name: telemetry
    direction: down
    frequency_mhz: 2245.5
    power_dbw: -3
    line_loss_db: 1
    # Tumbling: the worst gain counts. Or nadir, or station: what the antenna points at.
    antenna: {attitude: tumbling, pattern: [[0, 3], [90, 0], [180, -6]]}
    station_gain_dbi: 30
    noise_temperature_k: 300
    bit_rate_bps: 9600
    required_eb_n0_db: 9.6
    other_losses_db: 2
    required_margin_db: 3
    # turnaround: 240/221            # of down to up frequency, for two-way Doppler
    # atmosphere: {exceeded_percent: 1, antenna_diameter_m: 3}   # needs contactd[link]

alerts:
  contact_lead: [15min, 2min]                      # this target is told of earlier than others

# What it asks of stations that several targets share (see station_time in contactd.yaml). Stops,
# and what steps need when they expire, are asked for without being written here.
# station_time:
#   - name: daily contacts
#     service: telemetry
#     priority: 5
#     least_duration: 4min
#     most_duration: 1h                            # longer time in view is given in parts
#     count_per_day: 4                             # or count: in all; without, all there are
#     least_spacing: 2h
#     preferred: [Skerry Head]
#   - name: upload
#     service: command
#     priority: 20
#     least_duration: 6min
#     not_before: $next_from
#     deadline: $next_to
#     stations: [Skerry Head, Mesa Roja]           # no others will do
#     handover_overlap: 30s                        # one may hand over to another in between
#     # stations_at_once: 2                        # or two must have it at the same time

sequences:
  # Set going by the crew, and running.
  - name: wake-up
    start:
      status: observed                             # pending, expected, observed, in doubt …
      at: $started
      give_or_take: $start_error                            # read off a suit's watch, by voice
    clock: {rate_error_ppm: 40}                    # the timers' oscillator, both ways
    people_near:
      - {from: $visit_from, to: $visit_to, why: the crew's tender Marigold alongside}
    steps:
      - name: heater on
        after: start
        delay: $heater_delay
        # It needs no station: nothing aboard transmits yet.

      - name: receiver on
        after: heater on
        # The crew set it, to a value between from and to, in steps of a minute.
        delay:
          setting: {from: 10min, to: 48h, resolution: 1min, error: 2s, chosen: $receiver_delay}
        # From a minute before to three minutes after, some station must receive telemetry.
        needs: {service: telemetry, before: 1min, after: 3min}

      - name: antenna release
        after: receiver on
        delay:
          setting: {from: 10min, to: 48h, resolution: 1min, error: 2s, chosen: $release_delay}
        hazard: deployment
        keep_clear: {before: 5min, after: 20min, zone: 200 m}   # keep everyone out of it
        stop: {lead: 60s, takes_effect_in: 20s}    # it can be stopped by command until then
        needs: {service: command, before: 30s, after: 2min}

      - name: beacon on
        after: antenna release
        delay:
          setting: {from: 10min, to: 48h, resolution: 1min, error: 2s, chosen: $beacon_delay}
        # As set, this expires uncovered: the service says so at once.
        needs: {service: telemetry, before: 30s, after: 2min}

  # A countdown that begins anew with each command that is heard (record sent, record heard):
  # - name: command loss
  #   start: {status: observed, at: $started, give_or_take: 5s}
  #   events:
  #     - {name: any command, command: any}        # or a command's name, or several
  #     - {name: held, contact: [Skerry Head]}     # a contact that was held (record contact)
  #   steps:
  #     - name: safe mode
  #       after: start
  #       delay: 48h
  #       restart: {by: any command, lead: 25min, takes_effect_in: 30s}

  # To be started on the crew's next visit. Its settings are not chosen yet: `contactd align` does.
  - name: boom and wheels
    start:
      status: expected
      not_before: $next_from
      not_after: $next_to
      give_or_take: 30s                            # so closely will the start be known
    clock: {rate_error_ppm: 40}
    people_near:
      - {from: $next_visit_from, to: $next_visit_to, why: second visit}
    steps:
      - name: boom out
        after: start
        delay: {setting: {from: 2h, to: 40h, resolution: 10min, error: 2s}}
        hazard: deployment
        keep_clear: {before: 5min, after: 20min}
        stop: {lead: 60s, takes_effect_in: 20s}
        needs: {service: command, before: 30s, after: 2min}
      - name: wheels on
        after: boom out
        delay: {setting: {from: 30min, to: 20h, resolution: 10min, error: 2s}}
        needs: {service: telemetry, before: 1min, after: 3min}
"""

PALE_HERON = """\
# An invented satellite on a high orbit that is only watched: it has no timers.
name: Pale Heron
elements:
  omm: pale-heron.xml             # CCSDS 502.0-B-3, beside this file; KVN, XML or JSON
  # Or one of these in its place:
  # tle: pale-heron.tle           # or the two or three lines themselves, after |
  # url: https://elements.example/pale-heron.txt    # asked for politely; format: tle or omm
  # oem: pale-heron.oem           # an ephemeris; nothing is predicted in its gaps
  # opm: pale-heron.opm           # a state, propagated numerically
  # kepler: {epoch: 2026-11-25T00:00:00Z, frame: EME2000, semi_major_axis_km: 15740,
  #   eccentricity: 0.42, inclination_deg: 63.4, raan_deg: 250.6, argument_of_perigee_deg: 270,
  #   mean_anomaly_deg: 40}       # or true_anomaly_deg; propagated numerically
  # state: {epoch: 2026-11-25T00:00:00Z, frame: ITRF, position_km: [6900, 0, 0],
  #   velocity_km_s: [0, 3.5, 6.2]}                 # or EME2000, GCRF, TEME
  # With neither this nor covariance, what successive sets teach counts, else the orbit's class.
  timing_error: {at_epoch: 0.5s, per_day: 2s}     # and per_day2, radial_km, cross_track_km

# For numerical propagation; the Sun's activity changes the air's density threefold.
# spacecraft: {mass_kg: 120, drag_area_m2: 0.8, drag_coefficient: 2.2, density_factor: 1.0,
#   radiation_area_m2: 1.1, radiation_coefficient: 1.3}   # without areas neither air nor light acts

# What all outcomes within these bounds share is certain; what any of them brings is possible.
# manoeuvres:
#   - {at: 2026-11-26T10:00:00Z, delta_v_m_s: [0, 3, 0], frame: RTN, give_or_take: 60s,
#      magnitude_error_percent: 5, may_not_happen: true}

alerts:
  contact_lead: 10min
"""
