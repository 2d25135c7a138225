// Times and lengths of time in words. Each is told on the safe side: a last moment and an earliest
// with `noLater`, a latest and the end of a keep-clear with `noEarlier`, an estimate with `nearest`.

import {choices} from "./choices.js";

export const SECOND = 1000;
export const MINUTE = 60 * SECOND;
export const HOUR = 60 * MINUTE;
export const DAY = 24 * HOUR;
const LEAP = /:60(\.\d+)?Z$/;

/** Milliseconds of POSIX time of UTC text; a leap second counts as the one after it. */
export function parse(text) {
  if (text === null || text === undefined) return null;
  if (LEAP.test(text)) return Date.parse(text.replace(LEAP, ":59Z")) + SECOND;
  return Date.parse(text);
}

const two = (number) => String(number).padStart(2, "0");

export function dayOfYear(when) {
  const date = new Date(when);
  return Math.floor((when - Date.UTC(date.getUTCFullYear(), 0, 1)) / DAY) + 1;
}

/** `2026-11-25 10:03:04Z`: what is printed always has its date. */
export function full(when) {
  return when === null ? "not known" : moment(when);
}

/** `03:12:44Z`, or `03:12Z` without seconds. */
export function clock(when, seconds = true) {
  const date = new Date(when);
  const text = `${two(date.getUTCHours())}:${two(date.getUTCMinutes())}`;
  return seconds ? `${text}:${two(date.getUTCSeconds())}Z` : `${text}Z`;
}

/** `2026-11-25`, or `2026-329` where the day of the year is wanted. */
export function day(when) {
  const date = new Date(when);
  const year = date.getUTCFullYear();
  if (choices.days === "of-year") return `${year}-${String(dayOfYear(when)).padStart(3, "0")}`;
  return `${year}-${two(date.getUTCMonth() + 1)}-${two(date.getUTCDate())}`;
}

/** `Wed 25 Nov 2026`, with `, day 329` where the day of the year is wanted. */
export function longDay(when) {
  const text = new Date(when).toLocaleDateString("en-GB",
    {weekday: "short", day: "numeric", month: "short", year: "numeric", timeZone: "UTC"});
  return text.replace(",", "") + (choices.days === "of-year" ? `, day ${dayOfYear(when)}` : "");
}

/** `2026-11-25 03:12:44Z`. */
export function moment(when) {
  return `${day(when)} ${clock(when)}`;
}

/** The clock alone when it is within half a day, else with its day. */
export function near(when, now, seconds = true) {
  const rounded = seconds ? when : Math.round(when / MINUTE) * MINUTE;
  const text = Math.abs(when - now) < 12 * HOUR ? clock(rounded, seconds)
    : `${day(rounded).slice(5)} ${clock(rounded, seconds)}`;
  const also = alsoHere(rounded, seconds);
  return also ? `${text} (${also})` : text;
}

/** The same moment by the reader's own clock, where that is wanted. */
function alsoHere(when, seconds) {
  if (choices.local !== "yes") return "";
  const text = new Date(when).toLocaleTimeString("en-GB", {hour12: false});
  return `${seconds ? text : text.slice(0, 5)} here`;
}

/** Whole seconds: never later, never earlier, or as close as can be. Null stays null. */
export const noLater = (when) => when === null ? null : Math.floor(when / SECOND) * SECOND;
export const noEarlier = (when) => when === null ? null : Math.ceil(when / SECOND) * SECOND;
export const nearest = (when) => when === null ? null : Math.round(when / SECOND) * SECOND;

/** `14:02:10Z to 14:06:40Z`, outwards to whole seconds: an expiry, a keep-clear. Null: no end. */
export function between(earliest, latest, now) {
  if (latest === null) return `${near(noLater(earliest), now)} until further notice`;
  return range(noLater(earliest), noEarlier(latest), now);
}

/** When somebody stated something of a station, why, and who. */
export function statedWords(stated, now) {
  const by = `recorded by ${stated.author}`;
  return `${between(parse(stated.from), parse(stated.to), now)}: ${stated.why ? `${stated.why} (${by})` : by}`;
}

/** The same inwards: a command window. */
export function within(from, to, now) {
  const [first, last] = [noEarlier(from), noLater(to)];
  return range(first, Math.max(first, last), now);
}

const TOLD_INWARDS = ["command window", "stop chance"];

/** Start and end of an agenda's row, each rounded to the side that is safe for its kind. */
export function safely(kind, from, to) {
  if (TOLD_INWARDS.includes(kind)) return [noEarlier(from), Math.max(noEarlier(from), noLater(to))];
  return [noLater(from), ["contact", "stop by", "next command"].includes(kind) ? noLater(to) : noEarlier(to)];
}

/** `14:02:10Z to 14:06:40Z` of two whole seconds. */
export function range(first, last, now) {
  if (first === last) return near(first, now);
  const sameDay = day(first) === day(last);
  return `${near(first, now)} to ${sameDay ? clock(last) : near(last, now)}`;
}

/** A running countdown: `4:12`, `1:12:04`, `2 d 03:12`. Rounded down, so that nothing is promised. */
export function countdown(milliseconds) {
  const whole = Math.max(0, Math.floor(milliseconds / SECOND));
  const hours = Math.floor(whole / 3600) % 24;
  const minutes = Math.floor(whole / 60) % 60;
  const days = Math.floor(whole / 86400);
  if (days > 0) return `${days} d ${two(hours)}:${two(minutes)}`;
  if (hours > 0) return `${hours}:${two(minutes)}:${two(whole % 60)}`;
  return `${minutes}:${two(whole % 60)}`;
}

/** `6 min 10 s`, `3 h 12 min`, `2 d 4 h`: two units; Math.floor never gives more
 * than it is, also below zero, Math.ceil never less. */
export function length(milliseconds, round = Math.round) {
  const size = Math.abs(milliseconds);
  const unit = size < HOUR ? SECOND : size < DAY ? MINUTE : HOUR;
  const whole = Math.abs(round(milliseconds / unit)) * unit;
  const parts = whole < MINUTE ? [[whole / SECOND, "s"]]
    : whole < HOUR ? [[Math.floor(whole / MINUTE), "min"], [(whole % MINUTE) / SECOND, "s"]]
      : whole < DAY ? [[Math.floor(whole / HOUR), "h"], [Math.floor((whole % HOUR) / MINUTE), "min"]]
        : [[Math.floor(whole / DAY), "d"], [Math.floor((whole % DAY) / HOUR), "h"]];
  const text = parts.filter(([amount], place) => amount > 0 || place === 0)
    .map(([amount, name]) => `${Math.floor(amount)} ${name}`).join(" ");
  return milliseconds < 0 ? `−${text}` : text;
}

/** How long until something that is only known within bounds. */
export function untilBounds(earliest, latest, now) {
  if (now > latest) return `expired ${between(earliest, latest, now)}`;
  if (now >= earliest) return `expiring, by ${clock(noEarlier(latest))}`;
  const [first, last] = [earliest - now, latest - now];
  const width = latest - earliest;
  if (width < 2 * SECOND) return `in ${countdown(first)}`;
  if (first < 10 * MINUTE) return `in ${countdown(first)} to ${countdown(last + SECOND)}`;
  if (last < HOUR) {
    const [low, high] = [Math.floor(first / MINUTE), Math.ceil(last / MINUTE)];
    return low === high ? `in ${low} min` : `in ${low} to ${high} min`;
  }
  const low = length(first, Math.floor);
  const high = length(last, Math.ceil);
  return low === high ? `in ${low}` : `in ${low} to ${high}`;
}

/** `in 4:12`, `12 min ago`. */
export function fromNow(when, now) {
  return when >= now ? `in ${countdown(when - now)}` : `${length(now - when, Math.floor)} ago`;
}
