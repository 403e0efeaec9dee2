module github.com/ebitengine/purego

go 1.26.0
