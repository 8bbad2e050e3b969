DROP TABLE scene_references;
DROP TABLE shapes;
