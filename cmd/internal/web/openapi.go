package web

import (
	"maps"
	"net/http"
	"path"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"time"
)

// doc is what the OpenAPI document says of a route. The shapes come from the Go
// types that the handlers encode and decode, so that they cannot drift apart.
type doc struct {
	tag, summary string
	query        []param
	in           any      // a value of the type that a change takes; nil: nothing
	also         []string // media types that a change takes beside forms and JSON
	out          any      // a value of the type that is answered
	kind         string   // of an answer that is not JSON
}

// streams says whether a route is one of a stream of events.
func (d *doc) streams() bool { return d != nil && d.kind == eventStream }

// param is a parameter of a query: a number from least to most (0: unbounded),
// or a text where least is noNumber.
type param struct {
	name, what  string
	least, most int64
}

const noNumber = -1

// object is one of JSON.
type object = map[string]any

// serveDocument answers with what is served here.
func (s *Server) serveDocument(w http.ResponseWriter, r *http.Request) {
	s.sendJSON(w, r, s.document())
}

// document makes the OpenAPI document of the routes.
func (s *Server) document() object {
	shapes := &shapes{all: object{}}
	problem := object{
		"description": "what went wrong, after RFC 9457; to a browser (Accept: text/html) that sends a form, a page that says it",
		"content":     object{"application/problem+json": object{"schema": shapes.of(reflect.TypeFor[problem]())}, "text/html": object{"schema": object{"type": "string"}}},
	}
	// Who it is is asked before anything of ours is, and refused in plain words.
	nobody := object{
		"description": "where users are configured: name and password of one of them are asked for",
		"content":     object{"text/plain": object{"schema": object{"type": "string"}}},
	}
	paths := object{}
	all := docs()
	for _, r := range s.routes() {
		d := all[r.method+" "+r.pattern]
		if d == nil {
			continue
		}
		path, ok := paths[r.pattern].(object)
		if !ok {
			path = object{}
			paths[r.pattern] = path
		}
		path[strings.ToLower(r.method)] = shapes.operation(r, d)
	}
	return object{
		"openapi": "3.1.0",
		"info": object{
			"title": "Ovenward", "version": "1",
			"description": "Readings of power-density probes beside microwave ovens, what they were judged to be, and the alarms. " +
				"SI units, told by the names of the fields; instants in UTC. A number that is not known is null, never zero, and a word beside it says why. " +
				"Sentences, those of problems too, are English, as the record keeps them; the page puts them into its language. " +
				"Whoever takes this for a safety interlock is mistaken.",
		},
		"servers":  []object{{"url": "/"}},
		"paths":    paths,
		"security": []object{{}, {"user": []string{}}},
		"components": object{
			"schemas": shapes.all, "responses": object{"Problem": problem, "Nobody": nobody},
			"securitySchemes": object{"user": object{"type": "http", "scheme": "basic"}},
		},
	}
}

// operation documents one route.
func (s *shapes) operation(r route, d *doc) object {
	answer := object{"description": "as asked"}
	switch {
	case d.kind != "":
		answer["content"] = object{d.kind: object{"schema": object{"type": "string"}}}
	case d.out != nil:
		answer["content"] = object{"application/json": object{"schema": s.of(reflect.TypeOf(d.out))}}
	}
	answers := object{"200": answer, "default": object{"$ref": "#/components/responses/Problem"},
		"401": object{"$ref": "#/components/responses/Nobody"}}
	if r.method == http.MethodGet && d.kind != eventStream {
		answers["304"] = object{"description": "nothing changed since the answer with the tag in If-None-Match"}
	}
	if r.method == http.MethodPost {
		answers["303"] = object{"description": "to a browser (Accept: text/html): the page that shows what came of it, where there is one"}
	}
	op := object{"summary": d.summary, "tags": []string{d.tag}, "operationId": operationID(r), "responses": answers}
	if all := parameters(r, d); len(all) > 0 {
		op["parameters"] = all
	}
	if d.in != nil || d.also != nil {
		content := object{}
		if d.in != nil {
			shape := object{"schema": s.of(reflect.TypeOf(d.in))}
			content["application/json"], content["application/x-www-form-urlencoded"] = shape, shape
		}
		for _, kind := range d.also {
			content[kind] = object{"schema": object{"type": "string"}}
		}
		op["requestBody"] = object{"required": true, "content": content}
	}
	return op
}

func operationID(r route) string {
	words := strings.FieldsFunc(strings.TrimPrefix(r.pattern, "/api/v1"), func(c rune) bool { return strings.ContainsRune("/{}.-", c) })
	return strings.ToLower(r.method) + "-" + strings.Join(words, "-")
}

// parameters documents those of path and query.
func parameters(r route, d *doc) []object {
	var all []object
	for _, found := range regexp.MustCompile(`\{(\w+)\}`).FindAllStringSubmatch(r.pattern, -1) {
		all = append(all, object{"name": found[1], "in": "path", "required": true, "schema": object{"type": "string"}})
	}
	for _, p := range d.query {
		shape := object{"type": "string"}
		if p.least != noNumber {
			shape = object{"type": "integer", "minimum": p.least}
			if p.most > 0 {
				shape["maximum"] = p.most
			}
		}
		all = append(all, object{"name": p.name, "in": "query", "description": p.what, "schema": shape})
	}
	return all
}

// shapes collects the schemas of Go types by name.
type shapes struct{ all object }

// of returns the schema of a type, as encoding/json writes its values.
func (s *shapes) of(t reflect.Type) object {
	switch t {
	case reflect.TypeFor[number]():
		return object{"type": []string{"number", "null"}}
	case reflect.TypeFor[time.Time]():
		return object{"type": "string", "format": "date-time"}
	case reflect.TypeFor[[]byte]():
		return object{"type": "string", "contentEncoding": "base64"}
	}
	switch t.Kind() {
	case reflect.String:
		return object{"type": "string"}
	case reflect.Bool:
		return object{"type": "boolean"}
	case reflect.Float32, reflect.Float64:
		return object{"type": "number"}
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64, reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return object{"type": "integer"}
	case reflect.Pointer:
		return object{"anyOf": []object{s.of(t.Elem()), {"type": "null"}}}
	case reflect.Slice:
		return object{"type": "array", "items": s.of(t.Elem())}
	case reflect.Array:
		return object{"type": "array", "items": s.of(t.Elem()), "minItems": t.Len(), "maxItems": t.Len()}
	case reflect.Map:
		return object{"type": "object"}
	case reflect.Struct:
		name := shapeName(t)
		if _, known := s.all[name]; !known {
			s.all[name] = object{} // a type may hold itself
			s.all[name] = s.structure(t)
		}
		return object{"$ref": "#/components/schemas/" + name}
	}
	return object{}
}

// shapeName is the name of a type; of one that is not this package's, with that of
// its own before it, since two packages may have types of one name.
func shapeName(t reflect.Type) string {
	name := strings.TrimSuffix(t.Name(), "JSON")
	if foreign(t) {
		from := path.Base(t.PkgPath())
		name = from + strings.ToUpper(name[:1]) + name[1:]
	}
	return strings.ToUpper(name[:1]) + name[1:]
}

// foreign says whether a type is not this package's. An empty list of such a type
// may be null.
func foreign(t reflect.Type) bool { return t.PkgPath() != reflect.TypeFor[Server]().PkgPath() }

func (s *shapes) structure(t reflect.Type) object {
	fields, needed := object{}, map[string]bool{}
	s.fields(t, fields, needed)
	shape := object{"type": "object", "properties": fields, "additionalProperties": false}
	if len(needed) > 0 {
		shape["required"] = slices.Sorted(maps.Keys(needed))
	}
	return shape
}

// fields adds those of a struct, and of the structs it embeds; the outer of two
// with one name counts, as in encoding/json.
func (s *shapes) fields(t reflect.Type, to object, needed map[string]bool) {
	for f := range t.Fields() {
		if f.Anonymous && f.Tag.Get("json") == "" {
			s.fields(f.Type, to, needed)
		}
	}
	for f := range t.Fields() {
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if name == "-" || f.Anonymous && name == "" || !f.IsExported() {
			continue
		}
		if name == "" {
			name = f.Name
		}
		shape := s.of(f.Type)
		delete(needed, name)
		if strings.Contains(options, "omit") {
			if f.Type.Kind() == reflect.Pointer {
				shape = s.of(f.Type.Elem())
			}
		} else {
			needed[name] = true
			if f.Type.Kind() == reflect.Slice && foreign(t) && shape["items"] != nil {
				shape = object{"anyOf": []object{shape, {"type": "null"}}}
			}
		}
		to[name] = shape
	}
}
