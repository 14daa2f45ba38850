drop table material_test;
