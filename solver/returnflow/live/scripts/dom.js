"use strict";
// Making elements, and the marks of roles.

const $ = (id) => document.getElementById(id);
const SVG = "http://www.w3.org/2000/svg";
const MARKS = { // by role, so that no colour is needed to tell them apart
  sensitive: "M0,-8 L8,0 L0,8 L-8,0 Z", noisy: "M0,-8 L7.5,6 L-7.5,6 Z", cables: "M-6.5,-6.5 H6.5 V6.5 H-6.5 Z",
  none: "M3.5,0 A3.5,3.5 0 1 0 -3.5,0 A3.5,3.5 0 1 0 3.5,0 Z",
};

function dress(made, attributes, parent, text) {
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== null) made.textContent = text;
  if (parent) parent.append(made);
  return made;
}

function svg(name, attributes = {}, parent = null, text = null) { return dress(document.createElementNS(SVG, name), attributes, parent, text); }

function html(name, attributes = {}, parent = null, text = null) { return dress(document.createElement(name), attributes, parent, text); }
