// The map under the track: land from Natural Earth at 1:110 million, by way of d3-geo.

import {ink} from "../choices.js";
import {geoCircle, geoEquirectangular, geoGraticule, geoPath} from "../../vendor/d3-geo/d3-geo.js";
import feature from "../../vendor/topojson-client/feature.js";
import {clock} from "../times.js";

const EARTH_KM = 6378.137;
const DEGREES = 180 / Math.PI;
const DEEP = 18; // the Sun so far below the horizon makes it fully dark

/** How far from the point below a satellite a station may be to see it above an elevation (degrees). */
export function reach(altitude, elevation) {
  const low = elevation / DEGREES;
  return (Math.acos(EARTH_KM * Math.cos(low) / (EARTH_KM + altitude)) - low) * DEGREES;
}

export class Map {
  constructor(canvas) {
    this.canvas = canvas;
    this.land = null;
    this.base = document.createElement("canvas");
    this.resize();
  }

  async load() {
    const answer = await fetch("/static/vendor/world-atlas/land-110m.json");
    const topology = await answer.json();
    this.land = feature(topology, topology.objects.land);
    this.restyle();
  }

  resize() {
    const ratio = devicePixelRatio || 1;
    const width = Math.max(this.canvas.clientWidth, 100);
    const height = Math.round(width / 2);
    if (this.width === width) return;
    Object.assign(this, {width, height, ratio});
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.projection = geoEquirectangular().fitSize([width, height], {type: "Sphere"}).precision(0.3);
    this.restyle();
  }

  /** Paint again what does not move: sea, land, lines. */
  restyle() {
    this.base.width = this.canvas.width;
    this.base.height = this.canvas.height;
    const pen = this.base.getContext("2d");
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    const trace = geoPath(this.projection, pen);
    pen.fillStyle = ink("sea");
    pen.fillRect(0, 0, this.width, this.height);
    if (this.land) {
      pen.beginPath();
      trace(this.land);
      pen.fillStyle = ink("earth");
      pen.fill();
      pen.strokeStyle = ink("line");
      pen.lineWidth = 0.7;
      pen.stroke();
    }
    pen.beginPath();
    trace(geoGraticule().step([30, 30])());
    pen.strokeStyle = ink("rule");
    pen.lineWidth = 0.6;
    pen.stroke();
  }

  clear() {
    const pen = this.canvas.getContext("2d");
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.drawImage(this.base, 0, 0);
  }

  /** Paint everything at a moment; where the target then is, or null outside the track. */
  show(track, stations, at, seeing) {
    this.clear();
    const pen = this.canvas.getContext("2d");
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    const trace = geoPath(this.projection, pen);
    const here = standing(track, at);
    if (here) this.night(pen, trace, here.sun);
    const altitude = here?.altitude ?? track.altitude_km.find((each) => each !== null) ?? 500;
    for (const station of stations) this.station(pen, trace, station, altitude, seeing.has(station.name));
    this.line(pen, trace, track, at);
    if (here) this.target(pen, trace, here, altitude);
    return here;
  }

  night(pen, trace, [longitude, latitude]) {
    const dark = [longitude + 180, -latitude];
    pen.fillStyle = ink("night");
    for (const radius of [90, 90 - DEEP]) {
      pen.globalAlpha = 0.38;
      pen.beginPath();
      trace(geoCircle().center(dark).radius(radius).precision(2)());
      pen.fill();
    }
    pen.globalAlpha = 1;
    const [x, y] = this.projection([longitude, latitude]);
    pen.strokeStyle = pen.fillStyle = ink("risk");
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.arc(x, y, 5, 0, 7);
    pen.stroke();
    this.text(pen, "Sun", x + 9, y + 4, ink("soft"));
  }

  station(pen, trace, station, altitude, seeing) {
    const [x, y] = this.projection([station.longitude_deg, station.latitude_deg]);
    pen.beginPath();
    trace(geoCircle().center([station.longitude_deg, station.latitude_deg]).radius(reach(altitude, Math.max(station.least_elevation_deg, 0))).precision(2)());
    pen.strokeStyle = ink(seeing ? "window" : "line");
    pen.lineWidth = seeing ? 2.5 : 1;
    pen.setLineDash(seeing ? [] : [3, 3]);
    pen.stroke();
    pen.setLineDash([]);
    pen.fillStyle = ink(seeing ? "window" : "ink");
    pen.beginPath();
    pen.moveTo(x, y - 6);
    pen.lineTo(x + 5, y + 4);
    pen.lineTo(x - 5, y + 4);
    pen.fill();
    this.text(pen, station.name, x + 8, y + 4, ink("ink"), seeing);
  }

  line(pen, trace, track, at) {
    const part = (test) => ({type: "LineString", coordinates: track.longitude_deg.map((longitude, index) => [longitude, track.latitude_deg[index]])
      .filter((point, index) => point[0] !== null && test(track.unix_ms[index]))});
    for (const [test, dash, width, colour] of [[(when) => when <= at, [2, 4], 1.5, "soft"], [(when) => when >= at, [], 2.2, "ink"]]) {
      const line = part(test);
      if (line.coordinates.length < 2) continue;
      pen.beginPath();
      trace(line);
      pen.setLineDash(dash);
      pen.strokeStyle = ink(colour);
      pen.lineWidth = width;
      pen.stroke();
    }
    pen.setLineDash([]);
    const every = (track.to - track.from) / 60_000 > 300 ? 60 : this.width < 600 ? 20 : 10;
    track.unix_ms.forEach((when, index) => {
      if (when % (every * 60_000) || when < at || track.longitude_deg[index] === null) return;
      const [x, y] = this.projection([track.longitude_deg[index], track.latitude_deg[index]]);
      pen.fillStyle = ink("ink");
      pen.fillRect(x - 2, y - 2, 4, 4);
      this.text(pen, clock(when, false), x + 6, y - 5, ink("soft"));
    });
  }

  target(pen, trace, here, altitude) {
    pen.beginPath();
    trace(geoCircle().center([here.longitude, here.latitude]).radius(reach(altitude, 0)).precision(2)());
    pen.strokeStyle = ink("focus");
    pen.globalAlpha = 0.8;
    pen.lineWidth = 1.2;
    pen.stroke();
    pen.globalAlpha = 1;
    const [x, y] = this.projection([here.longitude, here.latitude]);
    pen.fillStyle = ink("focus");
    pen.strokeStyle = ink("ground");
    pen.lineWidth = 2;
    pen.beginPath();
    pen.arc(x, y, 6.5, 0, 7);
    pen.fill();
    pen.stroke();
  }

  text(pen, text, x, y, colour, strong = false) {
    pen.font = `${strong ? 600 : 400} 13px Watch, sans-serif`;
    const wide = pen.measureText(text).width;
    const left = x + wide > this.width ? x - wide - 16 : x;
    pen.lineWidth = 3;
    pen.strokeStyle = ink("ground");
    pen.strokeText(text, left, y);
    pen.fillStyle = colour;
    pen.fillText(text, left, y);
  }
}

/** Where the target and the point below the Sun are at a moment, between two samples. */
export function standing(track, at) {
  const after = track.unix_ms.findIndex((when) => when > at);
  if (after <= 0 || track.latitude_deg[after] === null || track.latitude_deg[after - 1] === null) return null;
  const part = (at - track.unix_ms[after - 1]) / (track.unix_ms[after] - track.unix_ms[after - 1]);
  const mix = (values) => values[after - 1] + part * (values[after] - values[after - 1]);
  const turn = (values) => {
    const step = ((values[after] - values[after - 1] + 540) % 360) - 180;
    return ((values[after - 1] + part * step + 540) % 360) - 180;
  };
  return {latitude: mix(track.latitude_deg), longitude: turn(track.longitude_deg), altitude: mix(track.altitude_km), sunlit: mix(track.sunlit),
    sun: [turn(track.sun_longitude_deg), mix(track.sun_latitude_deg)]};
}
