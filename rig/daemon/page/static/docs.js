// Lists operations and values from the OpenAPI document.

import { at, made } from "/static/elements.js";

/**
 * A part of the OpenAPI document.
 * @typedef {{$ref?: string, anyOf?: Schema[], oneOf?: Schema[], enum?: unknown[], const?: unknown, type?: string, items?: Schema,
 *   additionalProperties?: Schema, properties?: {[name: string]: Schema}, required?: string[], description?: string}} Schema
 * @typedef {{content?: {"application/json"?: {schema: Schema}}}} Content
 * @typedef {{description?: string, parameters?: {name: string}[], requestBody?: Content, responses: {[code: string]: Content}}} Operation
 */

/**
 * @param {Schema | undefined} schema
 * @returns {string}
 */
function typeOf(schema) {
  if (!schema) {
    return "";
  }
  if (schema.$ref) {
    return schema.$ref.split("/").at(-1) ?? "";
  }
  const choices = schema.anyOf ?? schema.oneOf;
  if (choices) {
    return choices.map(typeOf).join(" or ");
  }
  if (schema.enum || schema.const !== undefined) {
    return (schema.enum ?? [schema.const]).map((value) => JSON.stringify(value)).join(" | ");
  }
  if (schema.type === "array") {
    return `list of ${typeOf(schema.items) || "values"}`;
  }
  if (schema.additionalProperties && schema.type === "object") {
    return `map to ${typeOf(schema.additionalProperties)}`;
  }
  return schema.type ?? "any";
}

/** @param {Content | undefined} part */
const bodyOf = (part) => typeOf(part?.content?.["application/json"]?.schema);

/**
 * @param {string} path
 * @param {string} method
 * @param {Operation} about
 */
function operation(path, method, about) {
  const section = document.createElement("section");
  const title = document.createElement("p");
  title.append(made("code", `${method.toUpperCase()} ${path}`));
  section.append(title, made("p", about.description ?? ""));
  const query = (about.parameters ?? []).map((each) => each.name).join(", ");
  const facts = [query && `query: ${query}`, about.requestBody && `takes ${bodyOf(about.requestBody)}`, `gives ${bodyOf(about.responses["200"])}`];
  section.append(made("p", facts.filter(Boolean).join(" · "), { class: "small" }));
  return section;
}

/**
 * @param {string} name
 * @param {Schema} schema
 */
function value(name, schema) {
  const section = document.createElement("section");
  const list = document.createElement("ul");
  for (const [field, about] of Object.entries(schema.properties ?? {})) {
    const needed = schema.required?.includes(field) ? ", needed" : "";
    const line = document.createElement("li");
    line.append(made("code", field), `: ${typeOf(about)}${needed}`);
    list.append(line);
  }
  const title = document.createElement("p");
  title.append(made("code", name));
  section.append(title, made("p", schema.description ?? "", { class: "small" }), list);
  return section;
}

/** @type {{info: {description: string}, paths: {[path: string]: {[method: string]: Operation}}, components: {schemas: {[name: string]: Schema}}}} */
const api = await (await fetch("/api/openapi.json")).json();
for (const paragraph of api.info.description.split("\n\n")) {
  at("about").append(made("p", paragraph));
}
for (const [path, methods] of Object.entries(api.paths)) {
  for (const [method, about] of Object.entries(methods)) {
    at("operations").append(operation(path, method, about));
  }
}
for (const [name, schema] of Object.entries(api.components.schemas)) {
  at("values").append(value(name, schema));
}
