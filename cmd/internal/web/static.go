package web

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"time"
)

// asset is a file of the page, with a tag that changes when it does.
type asset struct {
	body []byte
	kind string
	tag  string
}

func loadStatic() map[string]asset {
	all := map[string]asset{}
	entries, err := fs.ReadDir(assets, "static")
	if err != nil { // the folder is part of the program
		panic(err)
	}
	for _, e := range entries {
		body, err := assets.ReadFile(path.Join("static", e.Name()))
		if err != nil {
			panic(err)
		}
		sum := sha256.Sum256(body)
		all[e.Name()] = asset{body, kindOf(e.Name()), `"` + hex.EncodeToString(sum[:12]) + `"`}
	}
	return all
}

// kindOf does not trust the machine's own table for what the page needs.
func kindOf(name string) string {
	switch path.Ext(name) {
	case ".css":
		return "text/css; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".svg":
		return "image/svg+xml"
	}
	return mime.TypeByExtension(path.Ext(name))
}

func (s *Server) serveStatic(w http.ResponseWriter, r *http.Request) {
	a, ok := s.static[r.PathValue("name")]
	if !ok {
		sendProblem(w, r, http.StatusNotFound, "no such file")
		return
	}
	w.Header().Set("Content-Type", a.kind)
	w.Header().Set("ETag", a.tag)
	w.Header().Set("Cache-Control", "no-cache") // ask each time, by the tag
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(a.body))
}
